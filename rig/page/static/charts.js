// The two charts of the live page, as SVG text. Verdicts differ in shape as well as in colour.

const LEFT = 44, RIGHT = 14, TOP = 14, BOTTOM = 40;

// Number of the temperature's colour: 1 cool to 5 hot, well apart where there are few.
export const heat = (k, count) => [[1], [1, 4], [1, 3, 4], [1, 2, 3, 4]][count - 1]?.[k] ?? (k % 5) + 1;
const escape = (text) => String(text).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
const r = (value) => Math.round(value * 10) / 10;

export function mark(verdict, x, y, size = 4.5, title = "") {
  const s = size, tip = title ? `<title>${escape(title)}</title>` : "";
  if (verdict === "skip") return `<path class="m-skip" d="M${r(x - s)} ${r(y - s)}l${2 * s} ${2 * s}m0 ${-2 * s}l${-2 * s} ${2 * s}">${tip}</path>`;
  if (verdict === "slip") return `<path class="m-slip" d="M${r(x)} ${r(y - s)}l${s} ${1.8 * s}h${-2 * s}z">${tip}</path>`;
  if (verdict === "void") return `<circle class="m-void" cx="${r(x)}" cy="${r(y)}" r="2.4">${tip}</circle>`;
  return `<circle class="m-clean" cx="${r(x)}" cy="${r(y)}" r="${s}">${tip}</circle>`;
}

function steps(low, high, most = 6) {
  const raw = (high - low) / most || 1, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((k) => k * power).find((k) => k >= raw);
  const found = [];
  for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + 1e-9; v += step) found.push(Number(v.toPrecision(10)));
  return found;
}

function frame({ x, y, xs, ys, width, height, xLabel, yLabel }) {
  let out = "";
  for (const v of ys) out += `<line class="grid" x1="${LEFT}" x2="${width - RIGHT}" y1="${r(y(v))}" y2="${r(y(v))}"/><text x="${LEFT - 7}" y="${r(y(v) + 4)}" text-anchor="end">${v}</text>`;
  for (const v of xs) out += `<text x="${r(x(v))}" y="${height - BOTTOM + 17}" text-anchor="middle">${v}</text>`;
  out += `<line class="axis" x1="${LEFT}" x2="${width - RIGHT}" y1="${height - BOTTOM}" y2="${height - BOTTOM}"/>`;
  return `${out}<text x="${width - RIGHT}" y="${height - 5}" text-anchor="end">${xLabel}</text><text x="${LEFT - 36}" y="${TOP - 3}">${yLabel}</text>`;
}

// One panel: currents across, speeds up, a sign a trial; a bar between the ends of each bracket.
export function passMap(run, temperature, now, width) {
  const height = 290;
  const trials = run.trials.filter((t) => t.temperature_c === temperature);
  const here = now && now.temperature_c === temperature ? now : null;
  const speeds = run.trials.map((t) => t.speed_mm_s).concat(now ? [now.speed_mm_s] : []);
  const top = Math.max(1, ...speeds) * 1.06;
  const currents = run.currents_a, gap = currents.length > 1 ? Math.min(...currents.slice(1).map((c, k) => c - currents[k])) : 0.1;
  const low = currents[0] - gap * 0.7, high = currents[currents.length - 1] + gap * 0.7;
  const x = (a) => LEFT + ((a - low) / (high - low)) * (width - LEFT - RIGHT);
  const y = (v) => height - BOTTOM - (v / top) * (height - BOTTOM - TOP - 6);
  const every = Math.ceil(currents.length / Math.max(2, (width - 60) / 42));
  let out = frame({ x, y, xs: currents.filter((_, k) => k % every === 0), ys: steps(0, top), width, height, xLabel: "run current, A", yLabel: "speed, mm/s" });
  const half = Math.min(12, (x(low + gap) - x(low)) * 0.36);
  for (const s of run.searches.filter((s) => s.temperature_c === temperature && s.status))
    for (const v of [s.clean_mm_s, s.skip_mm_s])
      if (v != null) out += `<line class="m-edge" x1="${r(x(s.current_a) - half)}" x2="${r(x(s.current_a) + half)}" y1="${r(y(v))}" y2="${r(y(v))}"/>`;
  for (const t of trials) out += mark(t.verdict, x(t.current_a), y(t.speed_mm_s), 4, `trial ${t.number}: ${t.current_a} A, ${t.speed_mm_s.toFixed(2)} mm/s, ${t.verdict}`);
  if (here) out += `<circle class="m-now" cx="${r(x(here.current_a))}" cy="${r(y(here.speed_mm_s))}" r="7"><title>under way</title></circle>`;
  const counts = ["clean", "skip", "slip", "void"].map((v) => [trials.filter((t) => t.verdict === v).length, v]).filter(([n]) => n);
  const words = `Speeds tried at each current, ${temperature} °C: ${counts.map(([n, v]) => `${n} ${v}`).join(", ") || "none yet"}`;
  return `<svg class="chart" width="${width}" height="${height}" role="img" aria-label="${words}">${out}</svg>`;
}

// Flow across, force up: a bar from the highest clean to the lowest skipping flow a threshold.
export function forceChart(run, width) {
  const height = Math.round(Math.min(330, 200 + width * 0.25));
  const found = run.searches.filter((s) => s.status && s.force_n != null && (s.clean_mm3_s != null || s.skip_mm3_s != null));
  if (!found.length) return '<p class="empty">The first threshold is still being looked for.</p>';
  const temperatures = [...new Set(run.temperatures_c)].sort((a, b) => a - b);
  const flows = found.flatMap((s) => [s.clean_mm3_s, s.skip_mm3_s]).filter((v) => v != null);
  const right = Math.max(...flows) * 1.12, top = Math.max(...found.map((s) => s.force_n)) * 1.12;
  const x = (q) => LEFT + (q / right) * (width - LEFT - RIGHT);
  const y = (f) => height - BOTTOM - (f / top) * (height - BOTTOM - TOP - 6);
  let out = frame({ x, y, xs: steps(0, right), ys: steps(0, top), width, height, xLabel: "flow, mm³/s", yLabel: "force, N" });
  for (const curve of run.curves) {
    const k = temperatures.indexOf(curve.temperature_c);
    const rows = curve.table.filter((row) => row[0] <= right && row[1] <= top);
    if (k < 0 || rows.length < 2) continue;
    const hue = heat(k, temperatures.length), tone = `var(--heat${hue})`;
    const line = (column) => rows.map((row) => `${r(x(row[0]))} ${r(Math.max(TOP, y(row[column])))}`);
    out += `<path d="M${line(3).join("L")}L${line(2).reverse().join("L")}z" fill="${tone}" opacity=".16"/><path d="M${line(1).join("L")}" fill="none" stroke="${tone}" stroke-width="2"/>`;
  }
  const labels = [];
  temperatures.forEach((temperature, k) => {
    const hue = heat(k, temperatures.length), tone = `var(--heat${hue})`;
    const points = found.filter((s) => s.temperature_c === temperature);
    for (const s of points) {
      const from = s.clean_mm3_s ?? s.skip_mm3_s * 0.93, to = s.skip_mm3_s ?? s.clean_mm3_s * 1.07;
      const at = y(s.force_n), weak = s.excluded ? ' stroke-dasharray="3 3" opacity=".75"' : "";
      const tip = `${temperature} °C, ${s.current_a} A: ${s.force_n.toFixed(1)} N${s.excluded ? `, ${s.excluded}` : ""}`;
      out += `<g stroke="${tone}" stroke-width="2"${weak}><title>${escape(tip)}</title><line x1="${r(x(from))}" x2="${r(x(to))}" y1="${r(at)}" y2="${r(at)}"/>`;
      if (s.clean_mm3_s != null) out += `<line x1="${r(x(from))}" x2="${r(x(from))}" y1="${r(at - 4)}" y2="${r(at + 4)}"/>`;
      if (s.skip_mm3_s != null) out += `<line x1="${r(x(to))}" x2="${r(x(to))}" y1="${r(at - 4)}" y2="${r(at + 4)}"/>`;
      const middle = x(Math.sqrt(from * to));
      out += `<circle cx="${r(middle)}" cy="${r(at)}" r="4" fill="${s.excluded ? "var(--card)" : tone}"/></g>`;
    }
    const last = points.reduce((a, b) => (a && a.force_n > b.force_n ? a : b), null);
    if (last) labels.push([Math.min(x(last.clean_mm3_s ?? last.skip_mm3_s), width - 60), y(last.force_n) - 12, `${temperature} °C`, hue]);
  });
  labels.sort((a, b) => b[1] - a[1]);
  labels.forEach((label, k) => {
    for (const other of labels.slice(0, k)) if (Math.abs(other[0] - label[0]) < 56 && Math.abs(other[1] - label[1]) < 15) label[1] = other[1] - 15;
    out += `<text class="strong h${label[3]}" x="${r(label[0])}" y="${r(label[1])}" text-anchor="middle">${label[2]}</text>`;
  });
  return `<svg class="chart" width="${width}" height="${height}" role="img" aria-label="Force against flow: ${found.length} thresholds; the table below has the numbers">${out}</svg>`;
}
