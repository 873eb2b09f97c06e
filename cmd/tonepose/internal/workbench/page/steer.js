// Any figure with time to the right steers the page: click for the cursor, drag for a stretch, wheel to zoom and pan.

/** steer listens on a figure; scale() is its axis of time, once drawn. */
export function steer(figure, store, scale) {
  const node = figure.node;
  node.style.cursor = 'crosshair';
  let drag = null;
  const within = (t) => Math.max(store.whole[0], Math.min(store.whole[1], t));
  const time = (event) => within(scale().invert(figure.place(event)[0]));
  node.addEventListener('pointerdown', (event) => {
    if (!scale() || event.button > 0) return;
    node.setPointerCapture(event.pointerId);
    drag = { start: time(event), px: figure.place(event)[0], moved: false, touch: event.pointerType === 'touch' };
    if (drag.touch) store.move(drag.start);
  });
  node.addEventListener('pointermove', (event) => {
    if (!drag) return;
    if (drag.touch) { store.move(time(event)); return; }
    if (Math.abs(figure.place(event)[0] - drag.px) > 3) drag.moved = true;
    if (drag.moved) { const t = time(event); store.view.change({ from: Math.min(drag.start, t), to: Math.max(drag.start, t) }); }
  });
  node.addEventListener('pointerup', () => {
    if (drag && !drag.moved) store.move(drag.start);
    drag = null;
  });
  node.addEventListener('pointercancel', () => { drag = null; });
  node.addEventListener('wheel', (event) => {
    if (!scale() || !store.strip) return;
    event.preventDefault();
    const by = Math.sign(event.deltaY || event.deltaX);
    if (event.shiftKey) store.strip.pan(by * 0.1);
    else store.strip.zoom(1.2 ** by, time(event));
  }, { passive: false });
}
