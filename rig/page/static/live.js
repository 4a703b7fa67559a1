// The live page: what the run folder says, as it comes.

import { forceChart, heat, mark, passMap } from "./charts.js";

const $ = (id) => document.getElementById(id);
let run = null;
let moment = {};

const clock = (text) => (text ? new Date(text).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" }) : "");
const day = (text) => new Date(text).toLocaleDateString([], { day: "numeric", month: "short" });
const hours = (h) => (h * 60 < 90 ? `${Math.round(h * 60)} min` : `${h.toFixed(1)} h`);
const sentence = (text) => (text ? text[0].toUpperCase() + text.slice(1) : "");
const show = (id, on) => { $(id).hidden = !on; };

function text(id, content, small = "") {
  $(id).textContent = content;
  if (small) {
    const part = document.createElement("small");
    part.textContent = ` ${small}`;
    $(id).append(part);
  }
}

function bar(id, share) {
  $(id).style.width = `${Math.max(0, Math.min(100, 100 * share))}%`;
  $(id).classList.toggle("much", share > 0.9);
}

function duration(seconds) {
  return seconds < 90 ? `${Math.round(seconds)} s` : hours(seconds / 3600);
}

function showState() {
  const state = run.state === "running" && moment.silent ? "silent" : run.state;
  $("state").className = `state ${state}`;
  $("state").textContent = { running: "Running", done: "Done", stopped: "Stopped", silent: "Silent" }[state];
  document.title = `${$("state").textContent} · ${run.name} · stallcurve`;
  const ended = run.ended ? `, ended ${clock(run.ended)}` : "";
  $("since").textContent = `${run.folder}, begun ${day(run.started)} ${clock(run.started)}${ended}`;
  let problem = "";
  if (state === "silent") {
    const minutes = Math.floor((Date.now() - new Date(moment.last_word)) / 60000);
    problem = `Nothing has been written for ${minutes} min, since ${clock(moment.last_word)}. If stallcurve run is no longer open, it was killed: make sure that the heater is off, then go on with --resume.`;
  } else if (state === "stopped") problem = `The run has stopped before its end: ${run.message || "no reason was kept"}. Finished trials are on disk; --resume goes on.`;
  else if (state === "done" && run.message) problem = run.message;
  if ($("problem").textContent !== problem) $("problem").textContent = problem;
  show("problem", problem);
}

function showMoment() {
  if (!run || run.waiting || run.problem) return;
  showState();
  const { trial, progress } = moment;
  const last = run.trials[run.trials.length - 1];
  const live = run.state === "running" && !moment.silent;
  if (live && trial) {
    text("now", `Trial ${trial.number}: ${trial.current_a} A at ${trial.speed_mm_s.toFixed(2)} mm/s`);
    $("nowmore").textContent = `${trial.temperature_c} °C, to ${trial.purpose}${trial.attempt > 1 ? `, attempt ${trial.attempt}` : ""}`;
  } else if (live) {
    text("now", moment.phase ? sentence(moment.phase) : last ? "Between trials" : "Getting ready");
    $("nowmore").textContent = last ? `last: trial ${last.number}, ${last.verdict}` : "";
  } else {
    text("now", run.state === "done" ? "All done" : moment.silent ? "Not known" : "Stopped");
    $("nowmore").textContent = last ? `last: trial ${last.number}, ${last.verdict}` : "no trial finished";
  }
  if (live && moment.actual_c != null) {
    text("heat", `${moment.actual_c.toFixed(1)} °C`, moment.target_c ? `of ${moment.target_c.toFixed(0)}` : "heater off");
  } else if (last?.least_c != null) text("heat", `${last.temperature_c.toFixed(0)} °C`, "in the last trial");
  else text("heat", "–");
  const inTrials = last?.least_c != null ? `${last.least_c.toFixed(1)} to ${last.most_c.toFixed(1)} in trial ${last.number}` : "";
  $("heatmore").textContent = inTrials || `allowed to ${run.max_temperature_c} °C`;
  const found = run.searches.filter((s) => s.status).length;
  text("steps", `${found} of ${run.searches_planned}`, "thresholds");
  bar("stepsbar", found / run.searches_planned);
  $("stepsbar").classList.remove("much");
  $("stepsmore").textContent = `${run.trials.length} trials${live && progress ? `; about ${progress.likely_left} to come, at most ${progress.most_left}` : ""}`;
  text("time", hours(run.hours), `of ${run.max_hours} h allowed`);
  bar("timebar", run.hours / run.max_hours);
  $("timemore").textContent = live && progress ? `about ${duration(progress.seconds_left)} to go` : "";
  text("filament", `${run.filament_m.toFixed(2)} m`, `of ${run.max_filament_m.toFixed(1)} allowed`);
  bar("filamentbar", run.filament_m / run.max_filament_m);
  $("filamentmore").textContent = `${(run.max_filament_m - run.filament_m).toFixed(1)} m left`;
  drawMaps();
}

// Charts are drawn at the width they have, so that their letters keep their size.
let drawn = "";
function drawMaps() {
  const width = $("maps").clientWidth;
  const key = JSON.stringify([run.trials.length, run.searches.length, run.folder, moment.trial, moment.silent, width]);
  if (key === drawn) return;
  drawn = key;
  const temperatures = [...run.temperatures_c].sort((a, b) => a - b);
  const across = Math.max(1, Math.min(temperatures.length, Math.floor(width / 260)));
  const each = Math.floor((width - (across - 1) * 22) / across);
  $("maps").innerHTML = temperatures
    .map((t, k) => `<div><h3 class="h${heat(k, temperatures.length)}">${Number(t)} °C</h3>${passMap(run, t, moment.silent ? null : moment.trial, each)}</div>`).join("");
}

function drawCurve() { $("curve").innerHTML = forceChart(run, $("curve").clientWidth); }

new ResizeObserver(() => {
  if (!run || run.waiting || run.problem) return;
  drawCurve();
  drawMaps();
}).observe($("content"));

function row(cells) {
  const line = document.createElement("tr");
  for (const [content, name] of cells) {
    const cell = document.createElement("td");
    cell.textContent = content;
    if (name) cell.className = name;
    line.append(cell);
  }
  return line;
}

const or = (value, words, otherwise = "–") => (value == null ? otherwise : words(value));

function showRun() {
  show("waiting", run.waiting);
  show("content", !run.waiting && !run.problem);
  $("name").textContent = run.name;
  if (run.waiting || run.problem) {
    $("problem").textContent = run.problem;
    show("problem", run.problem);
    show("simulated", false);
    $("state").textContent = run.waiting ? "Waiting" : "Not readable";
    $("state").className = "state done";
    return;
  }
  show("simulated", run.simulated);
  drawCurve();
  $("curvetitle").textContent = run.state === "done" ? "Force against flow" : "Force against flow so far";
  const sign = (verdict) => `<span><svg viewBox="0 0 14 14">${mark(verdict, 7, 7)}</svg>${verdict}</span>`;
  $("maplegend").innerHTML = ["clean", "skip", "slip", "void"].filter((v) => v !== "slip" || run.trials.some((t) => t.verdict === "slip")).map(sign).join("");
  $("curvelegend").textContent = run.searches.some((s) => s.excluded && s.force_n != null) ? "bar: clean to skipping; dashed: left out" : "bar: clean to skipping";
  const found = run.searches.filter((s) => s.status);
  $("thresholds").tBodies[0].replaceChildren(...found.map((s) => row([
    [`${s.temperature_c} °C`], [`${s.current_a} A`], [or(s.clean_mm_s, (v) => `${v.toFixed(2)} mm/s`)],
    [or(s.skip_mm_s, (v) => `${v.toFixed(2)} mm/s`)], [or(s.force_n, (v) => `${v.toFixed(1)} N`)],
    [[s.excluded, s.status === "wide" ? "wider than asked" : "", s.note].filter(Boolean).join("; "), "text"]])));
  $("trials").tBodies[0].replaceChildren(...run.trials.slice(-12).reverse().map((t) => {
    const line = row([[t.number], [t.temperature_c], [t.current_a], [t.speed_mm_s.toFixed(3)], [t.verdict, `word ${t.verdict}`]]);
    line.title = t.explanation || t.reason;
    return line;
  }));
  const warns = new Set(["slip", "reset", "remark", "stopped"]);
  $("events").replaceChildren(...run.events.map((event) => {
    const item = document.createElement("li"), time = document.createElement("time"), words = document.createElement("span");
    time.dateTime = event.time;
    time.textContent = clock(event.time);
    words.textContent = event.text;
    if (warns.has(event.kind) || event.text.startsWith("run stopped")) words.className = "warn";
    else if (event.kind === "void") words.className = "quiet";
    item.append(time, words);
    return item;
  }));
  drawn = "";
}

const events = new EventSource("events");
events.addEventListener("run", (event) => {
  run = JSON.parse(event.data);
  showRun();
  showMoment();
});
events.addEventListener("moment", (event) => {
  moment = JSON.parse(event.data);
  showMoment();
});
let lostSince = 0;
events.onopen = () => { lostSince = 0; show("lost", false); };
events.onerror = () => { lostSince ||= Date.now(); };
setInterval(() => {
  show("lost", lostSince && Date.now() - lostSince > 4000);
  if (moment.silent) showState();
}, 2000);
