// One way to draw, two ways to keep it: on a canvas for the screen, as SVG text to take away. Figures know only the pen.
// Units are CSS pixels at the normal text size; colours are strings; text never contains markup.

const family = '"Liberation Sans", Arial, Helvetica, sans-serif';

/** CanvasPen draws on a canvas; scale is device pixels a unit. */
export class CanvasPen {
  constructor(canvas, width, height, scale) {
    this.w = width;
    this.h = height;
    this.taken = false;
    const pixels = [Math.max(1, Math.round(width * scale)), Math.max(1, Math.round(height * scale))];
    if (canvas.width !== pixels[0] || canvas.height !== pixels[1]) [canvas.width, canvas.height] = pixels;
    this.c = canvas.getContext('2d');
    this.c.setTransform(scale, 0, 0, scale, 0, 0);
    this.c.clearRect(0, 0, width, height);
  }

  stroke(style) {
    const c = this.c;
    c.strokeStyle = style.stroke;
    c.lineWidth = style.width ?? 1;
    c.setLineDash(style.dash ?? []);
    c.lineJoin = 'round';
    c.lineCap = style.cap ?? 'butt';
    c.stroke();
  }

  paint(style) {
    if (style.fill) { this.c.fillStyle = style.fill; this.c.fill(); }
    if (style.stroke) this.stroke(style);
  }

  /** line is one straight piece. */
  line(x1, y1, x2, y2, style) {
    this.c.beginPath();
    this.c.moveTo(x1, y1);
    this.c.lineTo(x2, y2);
    this.stroke(style);
  }

  /** path joins points (x0, y0, x1, y1 …); NaN lifts the pen. */
  path(points, style) {
    const c = this.c;
    c.beginPath();
    let down = false;
    for (let i = 0; i < points.length; i += 2) {
      const x = points[i], y = points[i + 1];
      if (x !== x || y !== y) { down = false; continue; }
      if (down) c.lineTo(x, y); else { c.moveTo(x, y); down = true; }
    }
    if (style.close) c.closePath();
    this.paint(style);
  }

  rect(x, y, width, height, style) {
    this.c.beginPath();
    this.c.rect(x, y, width, height);
    this.paint(style);
  }

  circle(x, y, radius, style) {
    this.c.beginPath();
    this.c.arc(x, y, radius, 0, 2 * Math.PI);
    this.paint(style);
  }

  /** marks draws the same shape at many places (x0, y0, x1, y1 …). */
  marks(shape, points, radius, style) {
    const c = this.c;
    c.beginPath();
    for (let i = 0; i < points.length; i += 2) {
      const x = points[i], y = points[i + 1];
      if (x !== x || y !== y) continue;
      if (shape === 'circle') { c.moveTo(x + radius, y); c.arc(x, y, radius, 0, 2 * Math.PI); continue; }
      if (shape === 'square') { const r = radius * 0.9; c.rect(x - r, y - r, 2 * r, 2 * r); continue; }
      polygon(shape, x, y, radius).forEach(([px, py], k) => (k ? c.lineTo(px, py) : c.moveTo(px, py)));
      if (shape !== 'cross') c.closePath();
      else { c.moveTo(x - radius, y + radius); c.lineTo(x + radius, y - radius); }
    }
    this.paint(style);
  }

  /** text stands at its baseline; align start, middle or end. */
  text(x, y, text, style) {
    const c = this.c;
    c.font = `${style.bold ? 'bold ' : ''}${style.size ?? 12}px ${family}`;
    c.textAlign = { start: 'left', middle: 'center', end: 'right' }[style.align ?? 'start'];
    c.textBaseline = 'alphabetic';
    if (style.halo) { c.strokeStyle = style.halo; c.lineWidth = 3; c.setLineDash([]); c.lineJoin = 'round'; c.strokeText(text, x, y); }
    c.fillStyle = style.fill;
    c.fillText(text, x, y);
  }

  measure(text, size = 12, bold = false) {
    this.c.font = `${bold ? 'bold ' : ''}${size}px ${family}`;
    return this.c.measureText(text).width;
  }

  /** clipped draws within a rectangle only. */
  clipped(x, y, width, height, draw) {
    this.c.save();
    this.c.beginPath();
    this.c.rect(x, y, width, height);
    this.c.clip();
    draw();
    this.c.restore();
  }

  /** shifted draws into a height that begins further down. */
  shifted(y, height, draw) {
    this.c.save();
    this.c.translate(0, y);
    this.h = height;
    draw();
    this.c.restore();
  }
}

/** polygon is the outline of a mark. */
function polygon(shape, x, y, r) {
  switch (shape) {
    case 'triangle': return [[x, y - 1.1 * r], [x + 1.05 * r, y + 0.85 * r], [x - 1.05 * r, y + 0.85 * r]];
    case 'diamond': return [[x, y - 1.1 * r], [x + 1.1 * r, y], [x, y + 1.1 * r], [x - 1.1 * r, y]];
    case 'square': return [[x - 0.9 * r, y - 0.9 * r], [x + 0.9 * r, y - 0.9 * r], [x + 0.9 * r, y + 0.9 * r], [x - 0.9 * r, y + 0.9 * r]];
    default: return [[x - r, y - r], [x + r, y + r]]; // the first stroke of a cross
  }
}

const escaped = (text) => String(text).replace(/[&<>"]/g, (c) => ({ '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;' })[c]);
const short = (v) => String(Math.round(v * 100) / 100);

/** SvgPen writes the same drawing as SVG with a title and a description. */
export class SvgPen {
  constructor(width, height, title, description, paper) {
    this.w = width;
    this.h = height;
    this.taken = true;
    this.clips = 0;
    this.measurer = document.createElement('canvas').getContext('2d');
    this.parts = [
      `<svg xmlns="http://www.w3.org/2000/svg" width="${short(width)}" height="${short(height)}" viewBox="0 0 ${short(width)} ${short(height)}" role="img" font-family='${family}' font-size="12">`,
      `<title>${escaped(title)}</title><desc>${escaped(description)}</desc>`,
      `<rect width="100%" height="100%" fill="${paper}"/>`,
    ];
  }

  style(style) {
    let text = ` fill="${style.fill || 'none'}"`;
    if (style.stroke) {
      text += ` stroke="${style.stroke}" stroke-width="${style.width ?? 1}" stroke-linejoin="round"`;
      if (style.dash) text += ` stroke-dasharray="${style.dash.join(' ')}"`;
      if (style.cap) text += ` stroke-linecap="${style.cap}"`;
    }
    return text;
  }

  line(x1, y1, x2, y2, style) {
    this.parts.push(`<path d="M${short(x1)} ${short(y1)}L${short(x2)} ${short(y2)}"${this.style({ ...style, fill: null })}/>`);
  }

  path(points, style) {
    let d = '', down = false;
    for (let i = 0; i < points.length; i += 2) {
      const x = points[i], y = points[i + 1];
      if (x !== x || y !== y) { down = false; continue; }
      d += (down ? 'L' : 'M') + short(x) + ' ' + short(y);
      down = true;
    }
    if (d) this.parts.push(`<path d="${d}${style.close ? 'Z' : ''}"${this.style(style)}/>`);
  }

  rect(x, y, width, height, style) {
    this.parts.push(`<rect x="${short(x)}" y="${short(y)}" width="${short(width)}" height="${short(height)}"${this.style(style)}/>`);
  }

  circle(x, y, radius, style) {
    this.parts.push(`<circle cx="${short(x)}" cy="${short(y)}" r="${short(radius)}"${this.style(style)}/>`);
  }

  marks(shape, points, radius, style) {
    for (let i = 0; i < points.length; i += 2) {
      const x = points[i], y = points[i + 1];
      if (x !== x || y !== y) continue;
      if (shape === 'circle') this.circle(x, y, radius, style);
      else if (shape === 'cross') {
        this.line(x - radius, y - radius, x + radius, y + radius, style);
        this.line(x - radius, y + radius, x + radius, y - radius, style);
      } else this.path(polygon(shape, x, y, radius).flat(), { ...style, close: true });
    }
  }

  text(x, y, text, style) {
    const anchor = style.align && style.align !== 'start' ? ` text-anchor="${style.align}"` : '';
    const size = style.size && style.size !== 12 ? ` font-size="${style.size}"` : '';
    const halo = style.halo ? ` stroke="${style.halo}" stroke-width="3" stroke-linejoin="round" paint-order="stroke"` : '';
    this.parts.push(`<text x="${short(x)}" y="${short(y)}" fill="${style.fill}"${anchor}${size}${style.bold ? ' font-weight="bold"' : ''}${halo}>${escaped(text)}</text>`);
  }

  measure(text, size = 12, bold = false) {
    this.measurer.font = `${bold ? 'bold ' : ''}${size}px ${family}`;
    return this.measurer.measureText(text).width;
  }

  clipped(x, y, width, height, draw) {
    const id = `clip${this.clips++}`;
    this.parts.push(`<clipPath id="${id}"><rect x="${short(x)}" y="${short(y)}" width="${short(width)}" height="${short(height)}"/></clipPath><g clip-path="url(#${id})">`);
    draw();
    this.parts.push('</g>');
  }

  shifted(y, height, draw) {
    this.h = height;
    this.parts.push(`<g transform="translate(0 ${short(y)})">`);
    draw();
    this.parts.push('</g>');
  }

  toString() { return this.parts.join('\n') + '\n</svg>\n'; }
}
