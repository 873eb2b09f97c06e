// A parallel projection of the bench: turned about z, tilted, scaled to fit. Lengths along an axis stay comparable,
// which a perspective would spoil.

export class Camera {
  constructor() {
    this.azimuth = -0.45; // rad, of the eye about z
    this.tilt = 0.4; // rad above the horizon
    this.zoom = 1;
    this.centre = [0, 0, 0];
  }

  /** fit puts the corners of a box [[min], [max]] into width × height with a margin. */
  fit(box, width, height, margin) {
    this.width = width;
    this.height = height;
    this.middle = [width / 2, height / 2];
    this.scale = 1;
    this.origin = [0, 0];
    this.update();
    let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
    for (const p of corners(box)) {
      const [x, y] = this.raw(p);
      x0 = Math.min(x0, x); x1 = Math.max(x1, x); y0 = Math.min(y0, y); y1 = Math.max(y1, y);
    }
    this.scale = Math.min((width - margin.left - margin.right) / (x1 - x0), (height - margin.top - margin.bottom) / (y1 - y0)) * this.zoom;
    const about = this.follow ? this.raw(this.follow) : [(x0 + x1) / 2, (y0 + y1) / 2];
    this.origin = about;
    this.middle = [margin.left + (width - margin.left - margin.right) / 2, margin.top + (height - margin.top - margin.bottom) / 2];
  }

  update() {
    const { azimuth: a, tilt: t } = this;
    this.right = [Math.cos(a), Math.sin(a), 0];
    this.up = [-Math.sin(a) * Math.sin(t), Math.cos(a) * Math.sin(t), Math.cos(t)];
    this.toEye = [Math.sin(a) * Math.cos(t), -Math.cos(a) * Math.cos(t), Math.sin(t)];
  }

  raw(p) {
    return [dot(this.right, p), dot(this.up, p)];
  }

  /** at gives the place of a point [m] on the drawing. */
  at(p) {
    const [x, y] = this.raw(p);
    return [this.middle[0] + (x - this.origin[0]) * this.scale, this.middle[1] - (y - this.origin[1]) * this.scale];
  }

  depth(p) { return dot(this.toEye, p); }

  /** onLevel is the point at height z that lies under a place on the drawing; null when seen from the side. */
  onLevel(px, py, z) {
    const u = (px - this.middle[0]) / this.scale + this.origin[0];
    const v = (this.middle[1] - py) / this.scale + this.origin[1] - this.up[2] * z;
    const [a, b] = this.right, [c, d] = this.up;
    const det = a * d - b * c;
    if (Math.abs(det) < 0.05) return null;
    return [(u * d - b * v) / det, (a * v - c * u) / det, z];
  }

  orbit(dx, dy) {
    this.azimuth -= dx;
    this.tilt = Math.max(0, Math.min(Math.PI / 2, this.tilt + dy));
  }
}

function dot(a, b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }

export function cross(a, b) { return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]; }

export function unit(a) { const l = Math.hypot(...a) || 1; return a.map((v) => v / l); }

export function corners([lo, hi]) {
  const list = [];
  for (let i = 0; i < 8; i++) list.push([i & 1 ? hi[0] : lo[0], i & 2 ? hi[1] : lo[1], i & 4 ? hi[2] : lo[2]]);
  return list;
}

/** ring is a circle of radius about an axis through centre, as points. */
export function ring(centre, axis, radius, pieces = 48) {
  const n = unit(axis);
  const a = unit(cross(n, Math.abs(n[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0])), b = cross(n, a);
  return Array.from({ length: pieces + 1 }, (_, i) => {
    const angle = (2 * Math.PI * i) / pieces;
    return centre.map((c, k) => c + radius * (Math.cos(angle) * a[k] + Math.sin(angle) * b[k]));
  });
}

/** ellipses are the three principal sections of an ellipsoid of radii along axes. */
export function ellipses(centre, radii, axes, pieces = 40) {
  return [[0, 1], [0, 2], [1, 2]].map(([i, j]) => Array.from({ length: pieces + 1 }, (_, k) => {
    const angle = (2 * Math.PI * k) / pieces;
    return centre.map((c, d) => c + radii[i] * Math.cos(angle) * axes[i][d] + radii[j] * Math.sin(angle) * axes[j][d]);
  }));
}
