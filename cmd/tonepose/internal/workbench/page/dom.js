// Elements of the page. Names that come from files are always text, never markup.

/** element makes <tag> with properties, data-… attributes, listeners (onclick) and children (nodes or text). */
export function element(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(properties)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === 'class') node.className = value;
    else if (key.startsWith('on')) node.addEventListener(key.slice(2), value);
    else if (key === 'text') node.textContent = value;
    else if (key in node && !key.includes('-') && key !== 'list' && key !== 'role') node[key] = value;
    else node.setAttribute(key, value === true ? '' : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

/** say replaces the text of a node only when it differs, so that nothing is spoken or laid out twice. */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** set writes an attribute only when it differs. */
export function set(node, name, value) {
  if (value === null || value === undefined) node.removeAttribute(name);
  else if (node.getAttribute(name) !== String(value)) node.setAttribute(name, value);
}

/**
 * choice is a row of words of which one is pressed: [{value, words}], the pressed value, and what to do on another.
 * Arrow keys move within it, as in a group of radio buttons.
 */
export function choice(label, options, value, change) {
  const group = element('div', { class: 'choice', role: 'radiogroup', 'aria-label': label });
  const press = (index, focus) => {
    [...group.children].forEach((button, i) => {
      button.setAttribute('aria-checked', i === index);
      button.tabIndex = i === index ? 0 : -1;
    });
    if (focus) group.children[index].focus();
  };
  options.forEach((option, index) => {
    group.append(element('button', {
      type: 'button', role: 'radio', 'data-value': option.value, title: option.title, disabled: option.disabled,
      onclick: () => { press(index); change(option.value); },
      onkeydown: (event) => {
        const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
        if (!by) return;
        event.preventDefault();
        event.stopPropagation();
        const next = (index + by + options.length) % options.length;
        press(next, true);
        change(options[next].value);
      },
    }, option.words));
  });
  group.press = (wanted) => press(Math.max(0, options.findIndex((option) => option.value === wanted)));
  group.press(value);
  return group;
}

/** every calls do(at most hertz times a second), always with the newest arguments. */
export function every(hertz, work) {
  let last = 0, timer = 0, newest;
  const run = () => { timer = 0; last = performance.now(); work(...newest); };
  return (...args) => {
    newest = args;
    if (timer) return;
    timer = setTimeout(run, Math.max(0, last + 1000 / hertz - performance.now()));
  };
}
