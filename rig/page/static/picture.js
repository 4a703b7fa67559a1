// Draws waveform and spectrogram from the numbers that the server sends, and the marks over them.

const LIGHT = ["#fdfcf9", "#d3e3e2", "#86b6b8", "#3c7f88", "#21505f", "#132a38"];
const DARK = ["#171d22", "#1d3a42", "#246069", "#3f9196", "#93cbc6", "#f2f7f1"];
const STRIP = 34, AXIS = 22, SHARE = 0.27;

export const dark = window.matchMedia("(prefers-color-scheme: dark)");

function colourTable() {
  const stops = (dark.matches ? DARK : LIGHT).map(
    (c) => [1, 3, 5].map((k) => parseInt(c.slice(k, k + 2), 16)));
  const table = new Uint8ClampedArray(256 * 3);
  for (let v = 0; v < 256; v++) {
    const at = (v / 255) * (stops.length - 1);
    const k = Math.min(stops.length - 2, Math.floor(at));
    for (let c = 0; c < 3; c++) table[v * 3 + c] = stops[k][c] + (stops[k + 1][c] - stops[k][c]) * (at - k);
  }
  return table;
}

export function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

// What arrives: length of the head, JSON head, levels, least and greatest of the waveform.
export function readPicture(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  let at = 4 + length;
  const levels = new Uint8Array(buffer, at, head.rows * head.columns);
  at += levels.length;
  const least = new Int8Array(buffer, at, head.columns);
  const most = new Int8Array(buffer, at + head.columns, head.columns);
  return { ...head, levels, least, most };
}

export class Picture {
  constructor(sight, marks) {
    this.sight = sight;
    this.marks = marks;
    this.data = null;
    this.from = 0;
    this.to = 1;
    new ResizeObserver(() => this.resize()).observe(sight);
    dark.addEventListener("change", () => this.redraw());
  }

  show(data) {
    this.data = data;
    if (data) [this.from, this.to] = [data.from_s, data.to_s];
    this.redraw();
  }

  resize() {
    const ratio = window.devicePixelRatio || 1;
    for (const canvas of [this.sight, this.marks]) {
      canvas.width = Math.round(canvas.clientWidth * ratio);
      canvas.height = Math.round(canvas.clientHeight * ratio);
    }
    this.redraw();
  }

  x(time) { return ((time - this.from) / (this.to - this.from)) * this.sight.clientWidth; }
  time(x) { return this.from + (x / this.sight.clientWidth) * (this.to - this.from); }
  context(canvas) {
    const context = canvas.getContext("2d");
    const ratio = window.devicePixelRatio || 1;
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, canvas.clientWidth, canvas.clientHeight);
    context.font = `12px ${getComputedStyle(document.body).fontFamily}`;
    return context;
  }

  redraw() {
    this.drawSight();
    this.drawMarks(this.last || {});
  }

  drawSight() {
    const context = this.context(this.sight);
    const { data } = this;
    if (!data) return;
    const width = this.sight.clientWidth, height = this.sight.clientHeight;
    const waveTop = STRIP, waveHeight = (height - STRIP - AXIS) * SHARE;
    const top = waveTop + waveHeight + 4, tall = height - AXIS - top;
    // Waveform
    const middle = waveTop + waveHeight / 2, half = waveHeight / 2 - 2;
    context.fillStyle = colour("soft");
    const step = width / data.columns;
    for (let k = 0; k < data.columns; k++) {
      const high = (data.most[k] / 127) * half, low = (data.least[k] / 127) * half;
      context.fillRect(k * step, middle - high, Math.max(step, 0.6), Math.max(1, high - low));
    }
    // Spectrogram: one pixel a number, stretched
    const image = new ImageData(data.columns, data.rows);
    const table = colourTable();
    for (let row = 0; row < data.rows; row++) {
      const out = (data.rows - 1 - row) * data.columns;
      for (let k = 0; k < data.columns; k++) {
        const level = data.levels[row * data.columns + k] * 3, p = (out + k) * 4;
        image.data[p] = table[level];
        image.data[p + 1] = table[level + 1];
        image.data[p + 2] = table[level + 2];
        image.data[p + 3] = 255;
      }
    }
    const plate = new OffscreenCanvas(data.columns, data.rows);
    plate.getContext("2d").putImageData(image, 0, 0);
    context.imageSmoothingEnabled = false;
    context.drawImage(plate, 0, top, width, tall);
    // Scales
    const label = (text, x, y) => {
      context.lineWidth = 3;
      context.strokeStyle = colour("paper");
      context.strokeText(text, x, y);
      context.fillText(text, x, y);
    };
    context.textBaseline = "middle";
    context.fillStyle = colour("ink");
    for (let khz = 2; khz * 1000 < data.highest_hz - 300; khz += data.highest_hz > 9000 ? 4 : 2)
      label(`${khz} kHz`, 5, top + tall * (1 - (khz * 1000) / data.highest_hz));
    context.fillStyle = colour("soft");
    context.textBaseline = "bottom";
    context.textAlign = "center";
    const span = this.to - this.from;
    const apart = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60]
      .find((s) => (s / span) * width > 64) || 60;
    for (let t = Math.ceil(this.from / apart) * apart; t < this.to; t += apart) {
      const x = this.x(t);
      if (x < 14 || x > width - 14) continue;
      context.fillRect(x, height - AXIS, 1, 4);
      context.fillText(`${t.toFixed(apart < 0.01 ? 3 : apart < 0.1 ? 2 : apart < 1 ? 1 : 0)} s`, x, height - 2);
    }
    context.textAlign = "left";
  }

  // marks: {motion: [a, b], clicks: [...], guess, first, cursor}
  drawMarks(marks) {
    this.last = marks;
    const context = this.context(this.marks);
    if (!this.data) return;
    const width = this.sight.clientWidth, bottom = this.sight.clientHeight - AXIS;
    if (marks.motion) {
      const [a, b] = marks.motion.map((t) => Math.max(-2, Math.min(width + 2, this.x(t))));
      context.fillStyle = colour("heat1");
      context.globalAlpha = 0.32;
      context.fillRect(a, STRIP - 12, b - a, 8);
      context.globalAlpha = 0.6;
      for (const x of [a, b]) for (let y = STRIP; y < bottom; y += 7) context.fillRect(x, y, 1, 3);
      context.globalAlpha = 1;
    }
    context.fillStyle = colour("skip");
    for (const click of marks.clicks || []) context.fillRect(this.x(click) - 0.75, STRIP - 16, 1.5, 16);
    if (marks.guess != null) {
      context.fillStyle = colour("heat1");
      for (let y = STRIP - 16; y < bottom; y += 9) context.fillRect(this.x(marks.guess) - 0.75, y, 1.5, 5);
    }
    if (marks.cursor != null) {
      const x = this.x(marks.cursor);
      context.fillStyle = colour("paper");
      context.fillRect(x - 1.5, STRIP, 3, bottom - STRIP);
      context.fillStyle = colour("ink");
      context.fillRect(x - 0.5, STRIP - 4, 1, bottom - STRIP + 4);
    }
    if (marks.first != null) {
      const x = this.x(marks.first);
      context.fillStyle = colour("paper");
      context.fillRect(x - 2, STRIP - 2, 4, bottom - STRIP + 2);
      context.fillStyle = colour("skip");
      context.fillRect(x - 1, STRIP - 4, 2, bottom - STRIP + 4);
      context.beginPath();
      context.moveTo(x - 7, 4);
      context.lineTo(x + 7, 4);
      context.lineTo(x, 17);
      context.fill();
    }
  }
}
