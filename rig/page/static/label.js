// The labelling page: state, saving, keys. Every change goes to the server at once.

import { Picture, readPicture } from "./picture.js";
import { Player } from "./player.js";

const $ = (id) => document.getElementById(id);
const WORDS = { clean: "clean", skip: "skip", slip: "slip", void: "void" };
const CACHE = 8;

let takes = [];
let current = 0;
let cursor = 0;
let loud = false;
let saving = Promise.resolve();
let ticket = 0;
const kept = new Map(); // index -> {picture, sound, start} of takes looked at lately

const picture = new Picture($("sight"), $("marks"));
const player = new Player($("sound"), tick);

const remembered = (key, otherwise) => {
  try { return localStorage.getItem(`stallcurve.label.${key}`) ?? otherwise; } catch { return otherwise; }
};
const remember = (key, value) => {
  try { localStorage.setItem(`stallcurve.label.${key}`, value); } catch { /* private window */ }
};

// -- the server ------------------------------------------------------------------------------

async function ask(path, body) {
  const options = body === undefined ? {} : {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  };
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    throw { problem: "the server does not answer: is the terminal with stallcurve label still open?" };
  }
  if (!response.ok) {
    const answer = await response.json().catch(() => ({ problem: `the server said ${response.status}` }));
    throw answer;
  }
  return response;
}

function trouble(text) {
  $("trouble").textContent = text || "";
  $("trouble").hidden = !text;
}

function say(text) { $("status").textContent = text; }

// Saves one after the other, in the order in which the person made the changes. The page shows a
// change at once; what the server last confirmed comes back where it could not be saved.
const underway = new Map(); // index -> {count, sure}: saves not answered yet, last confirmed mark
const refused = []; // changes that met a list changed by another program

const markOf = ({ label, first_skip_s, note }) => ({ label, first_skip_s, note });

function save(index, changes, said) {
  const take = takes[index];
  const wait = underway.get(index) ?? { count: 0, sure: markOf(take) };
  wait.count += 1;
  underway.set(index, wait);
  Object.assign(take, changes);
  showList(index);
  if (index === current) showTake();
  saving = saving.then(async () => {
    try {
      const answer = await (await ask(`takes/${index}`, { ...changes, file: take.file })).json();
      wait.sure = markOf(answer.take);
      $("undo").disabled = !answer.can_undo;
      trouble("");
      say(`${take.file}: ${said || "saved"}`);
    } catch (error) {
      if (error.changed) askAboutConflict(index, changes, error.problem);
      else trouble(`${take.file} was not saved: ${error.problem || error}`);
    }
    wait.count -= 1;
    if (wait.count > 0 || takes[index] !== take) return;
    underway.delete(index);
    Object.assign(take, wait.sure);
    showList(index);
    if (index === current) showTake();
  });
}

function askAboutConflict(index, changes, problem) {
  const { file, set } = takes[index];
  refused.push({ file, set, changes });
  $("conflicttext").textContent = `${file}: ${problem}.`;
  if (!$("conflict").open) $("conflict").showModal();
}

async function settleConflict(again) {
  $("conflict").close();
  await saving;
  await reload();
  for (const { file, set, changes } of refused.splice(0)) {
    const now = takes.findIndex((take) => take.file === file && take.set === set);
    if (again && now >= 0) save(now, changes);
  }
}

async function undo() {
  await saving;
  try {
    const answer = await (await ask("undo", {})).json();
    $("undo").disabled = !answer.can_undo;
    if (!answer.take) return say("nothing to undo");
    takes[answer.take.index] = { ...takes[answer.take.index], ...answer.take };
    showList(answer.take.index);
    if (answer.take.index === current) showTake();
    else open(answer.take.index);
    say(`${answer.take.file}: taken back`);
  } catch (error) {
    trouble(error.problem || String(error));
  }
}

async function reload() {
  try {
    const state = await (await ask("reload", {})).json();
    underway.clear();
    begin(state, Math.min(current, state.takes.length - 1));
    $("changed").hidden = true;
    trouble("");
  } catch (error) {
    trouble(error.problem || String(error));
  }
}

function listen() {
  const events = new EventSource("events");
  events.addEventListener("proposal", (event) => {
    const { index, proposal } = JSON.parse(event.data);
    if (!takes[index]) return;
    takes[index].proposal = proposal;
    showList(index);
    if (index === current) showTake();
  });
  events.addEventListener("changed", (event) => {
    $("changed").hidden = JSON.parse(event.data).lists.length === 0;
  });
}

// -- the list --------------------------------------------------------------------------------

function differs(take) {
  return Boolean(take.label && take.proposal?.verdict && take.label !== take.proposal.verdict);
}

function shown(take) {
  const filter = $("filter").value;
  return filter === "all" || (filter === "open" && !take.label)
    || (filter === "labelled" && take.label) || (filter === "differs" && differs(take));
}

function hidesProposal(take) { return $("blind").checked && !take.label; }

function buildList() {
  const list = $("list");
  list.replaceChildren();
  let set = "";
  takes.forEach((take, index) => {
    if (take.set !== set) {
      set = take.set;
      const head = document.createElement("li");
      head.className = "group";
      head.textContent = set;
      list.append(head);
    }
    const item = document.createElement("li");
    item.id = `take-${index}`;
    const button = document.createElement("button");
    button.type = "button";
    button.innerHTML = '<span class="file"></span><span class="state"></span>';
    button.addEventListener("click", () => open(index));
    item.append(button);
    list.append(item);
    drawItem(index, take, item);
  });
  showProgress();
}

function showList(index) {
  const take = takes[index], item = $(`take-${index}`);
  if (!item) return;
  showProgress();
  drawItem(index, take, item);
}

function drawItem(index, take, item) {
  const button = item.firstElementChild, [file, state] = button.children;
  file.textContent = take.file;
  const proposed = !hidesProposal(take) && take.proposal?.verdict;
  state.className = `state ${take.label ? `word ${take.label}` : "open"}`;
  state.textContent = take.label ? WORDS[take.label] + (differs(take) ? " ≠" : "")
    : proposed ? `${proposed}?` : "–";
  state.title = differs(take) ? `the proposal is ${take.proposal.verdict}` : "";
  button.setAttribute("aria-label",
    `${take.file}, ${take.label ? `labelled ${take.label}` : "no label"}${proposed ? `, proposed ${proposed}` : ""}`);
  button.setAttribute("aria-current", String(index === current));
  item.hidden = !shown(take) && index !== current;
}

function redrawList() {
  takes.forEach((take, index) => drawItem(index, take, $(`take-${index}`)));
}

function showProgress() {
  const done = takes.filter((one) => one.label).length;
  $("progress").textContent = `${done} of ${takes.length} labelled`;
  $("bar").setAttribute("aria-valuemax", takes.length);
  $("bar").setAttribute("aria-valuenow", done);
  $("bar").firstElementChild.style.width = `${(100 * done) / takes.length}%`;
}

function step(by, wanted = shown) {
  for (let k = 1; k <= takes.length; k++) {
    const index = (current + by * k + by * k * takes.length + takes.length * takes.length) % takes.length;
    if (index !== current && wanted(takes[index])) return open(index);
  }
  if (wanted !== shown) say("every take has a label");
}

const isOpen = (take) => !take.label;

// -- the take --------------------------------------------------------------------------------

async function fetchTake(index) {
  let entry = kept.get(index);
  if (!entry) {
    entry = {
      picture: ask(`takes/${index}/picture`).then((r) => r.arrayBuffer()).then(readPicture),
      sounds: {},
    };
    entry.picture.catch(() => kept.delete(index));
    kept.set(index, entry);
    if (kept.size > CACHE) kept.delete(kept.keys().next().value);
  }
  return entry;
}

function fetchSound(entry, index) {
  const key = loud ? "loud" : "plain";
  entry.sounds[key] ??= ask(`takes/${index}/sound.wav?loud=${loud ? 1 : 0}`).then(async (r) =>
    ({ blob: await r.blob(), start: Number(r.headers.get("x-start-s")) }));
  return entry.sounds[key];
}

async function open(index) {
  const left = current;
  current = index;
  const mine = ++ticket;
  player.unload();
  canPlay(false);
  showList(left);
  showList(index);
  $(`take-${index}`)?.scrollIntoView({ block: "nearest" });
  const take = takes[index];
  remember("file", `${take.set}/${take.file}`);
  cursor = take.start_s;
  $("file").textContent = take.set ? `${take.set} / ${take.file}` : take.file;
  $("unreadable").hidden = true;
  picture.show(null);
  showTake();
  ask(`takes/${index}/focus`, {}).catch(() => {});
  try {
    const entry = await fetchTake(index);
    const data = await entry.picture;
    if (mine !== ticket) return;
    entry.whole = data;
    picture.show(data);
    showTake();
    const sound = await fetchSound(entry, index);
    if (mine !== ticket) return;
    player.load(sound.blob, sound.start);
    canPlay(true);
    player.element.playbackRate = $("slow").getAttribute("aria-pressed") === "true" ? 0.5 : 1;
    player.time = cursor;
    const next = (index + 1) % takes.length;
    fetchTake(next).then((other) => fetchSound(other, next)).catch(() => {});
  } catch (error) {
    if (mine !== ticket) return;
    $("unreadable").textContent = error.problem || String(error);
    $("unreadable").hidden = false;
  }
}

function canPlay(can) {
  for (const id of ["play", "around"]) $(id).disabled = !can;
}

function firstClick(take) {
  return take.first_skip_s ?? (hidesProposal(take) ? null : take.proposal?.first_skip_s ?? null);
}

function showTake() {
  const take = takes[current];
  if (!take) return;
  const facts = [`${take.speed_mm_s.toPrecision(3)} mm/s`];
  if (take.current_a != null) facts.push(`${take.current_a} A`);
  facts.push(`${take.step_rate_hz.toFixed(0)} full steps/s`, `${(take.end_s - take.start_s).toFixed(1)} s of motion`);
  $("facts").textContent = facts.join(" · ");
  const { proposal } = take;
  const words = $("proposal");
  if (hidesProposal(take)) words.textContent = "Proposals are hidden until the take has a label.";
  else if (!proposal) words.textContent = "The detector is still listening…";
  else if (!proposal.verdict) words.textContent = proposal.explanation;
  else {
    const first = proposal.first_skip_s != null ? `, first click at ${proposal.first_skip_s.toFixed(3)} s` : "";
    words.innerHTML = 'Proposed: <span class="word"></span>';
    words.firstElementChild.textContent = proposal.verdict;
    words.firstElementChild.classList.add(proposal.verdict);
    words.append(`${first}. Probability of a skip ${Math.round(100 * proposal.p_skip)}\u202f%. `,
      sentence(proposal.explanation || proposal.reason));
  }
  $("accept").disabled = !proposal?.verdict || hidesProposal(take);
  for (const button of document.querySelectorAll("[data-label]"))
    button.setAttribute("aria-pressed", String(button.dataset.label === take.label));
  if (document.activeElement !== $("note")) $("note").value = take.note;
  if (document.activeElement !== $("first")) $("first").value = take.first_skip_s ?? "";
  $("nearest").disabled = hidesProposal(take) || !proposal?.click_times_s?.length;
  tick();
}

const sentence = (text) => (text ? text[0].toUpperCase() + text.slice(1).replace(/\.?$/, ".") : "");

function tick() {
  const take = takes[current];
  if (!take) return;
  if (player.address && (player.playing || Math.abs(player.time - cursor) > 0.002)) cursor = player.time;
  $("play").firstChild.textContent = player.playing ? "Pause" : "Play";
  $("time").textContent = `${cursor.toFixed(3)} s`;
  const proposal = hidesProposal(take) ? null : take.proposal;
  picture.drawMarks({
    motion: [take.start_s, take.end_s],
    clicks: proposal?.click_times_s,
    guess: take.first_skip_s == null ? proposal?.first_skip_s : null,
    first: dragged ?? take.first_skip_s,
    cursor,
  });
  const first = take.first_skip_s != null ? `, first skip at ${take.first_skip_s.toFixed(3)} s` : "";
  $("marks").setAttribute("aria-label",
    `Waveform and spectrogram from ${picture.from.toFixed(1)} to ${picture.to.toFixed(1)} s; motion from `
    + `${take.start_s.toFixed(2)} to ${take.end_s.toFixed(2)} s; ${proposal?.click_times_s?.length ?? 0} clicks proposed${first}`);
}

// -- what a person does ----------------------------------------------------------------------

function setLabel(label) {
  const take = takes[current];
  const changes = { label };
  if (label === "skip") {
    const proposal = hidesProposal(take) ? null : take.proposal;
    changes.first_skip_s = take.first_skip_s ?? proposal?.first_skip_s ?? proposal?.click_times_s?.[0] ?? null;
  } else changes.first_skip_s = null;
  save(current, changes, label ? `${label}, saved` : "label taken off");
}

function accept() {
  const take = takes[current];
  if ($("accept").disabled) return say(take.proposal ? "there is nothing to accept" : "no proposal yet");
  const { verdict, first_skip_s } = take.proposal;
  save(current, { label: verdict, first_skip_s: verdict === "skip" ? first_skip_s : null }, `${verdict}, saved`);
  step(1, isOpen);
}

function setFirst(time) {
  const take = takes[current];
  const first = Math.round(Math.max(0, time) * 1e4) / 1e4;
  const changes = { first_skip_s: first };
  if (take.label !== "skip") changes.label = "skip";
  save(current, changes, `first skip at ${first.toFixed(3)} s, saved`);
}

function nudge(by) {
  const take = takes[current];
  const from = firstClick(take);
  if (from == null) return moveCursor(by);
  setFirst(from + by);
  keepInSight(from + by);
}

function toClick(by) {
  const take = takes[current];
  const clicks = hidesProposal(take) ? [] : take.proposal?.click_times_s ?? [];
  const from = take.first_skip_s ?? cursor;
  const found = by > 0 ? clicks.find((t) => t > from + 5e-4)
    : clicks.filter((t) => t < from - 5e-4).pop();
  if (found === undefined) return say("no proposed click there");
  setFirst(found);
  keepInSight(found);
}

function moveCursor(by) { setCursor(cursor + by); }

function setCursor(time) {
  cursor = Math.max(picture.data ? kept.get(current)?.whole?.from_s ?? 0 : 0, time);
  if (player.address) player.time = cursor;
  keepInSight(cursor);
  tick();
}

function keepInSight(time) {
  if (time < picture.from || time > picture.to) zoom(1, time);
}

async function zoom(by, centre = firstClick(takes[current]) ?? cursor) {
  const whole = kept.get(current)?.whole;
  if (!whole) return;
  const full = whole.to_s - whole.from_s;
  const span = Math.min(full, Math.max(0.05, (picture.to - picture.from) / by));
  let from = Math.max(whole.from_s, centre - span / 2);
  from = Math.min(from, whole.to_s - span);
  const mine = ticket;
  if (span >= full * 0.999) { picture.show(whole); return tick(); }
  try {
    const path = `takes/${current}/picture?from_s=${from}&to_s=${from + span}&columns=1200`;
    const data = readPicture(await (await ask(path)).arrayBuffer());
    if (mine === ticket) { picture.show(data); tick(); }
  } catch (error) { trouble(error.problem || String(error)); }
}

function playAround() {
  const take = takes[current];
  const first = firstClick(take) ?? cursor;
  const from = Math.max(player.start, first - 0.4);
  player.time = from;
  player.play(first + 0.9);
}

function playPause() {
  if (player.playing) return player.pause();
  if (player.element.ended) player.time = takes[current].start_s;
  player.play();
}

async function toggleLoud() {
  loud = !loud;
  $("loud").setAttribute("aria-pressed", String(loud));
  const mine = ticket, was = player.playing, at = cursor;
  try {
    const sound = await fetchSound(await fetchTake(current), current);
    if (mine !== ticket) return;
    player.load(sound.blob, sound.start);
    player.time = at;
    toggleSlow(false);
    if (was) player.play();
  } catch (error) { trouble(error.problem || String(error)); }
}

function toggleSlow(flip = true) {
  const slow = ($("slow").getAttribute("aria-pressed") === "true") !== flip;
  $("slow").setAttribute("aria-pressed", String(slow));
  player.element.playbackRate = slow ? 0.5 : 1;
}

function toggleBlind(flip = true) {
  if (flip) $("blind").checked = !$("blind").checked;
  remember("blind", $("blind").checked ? "1" : "");
  redrawList();
  showTake();
}

function saveNote() {
  if ($("note").value !== takes[current].note) save(current, { note: $("note").value }, "note saved");
}

$("conflict").addEventListener("cancel", (event) => event.preventDefault());

// -- mouse and touch on the picture ----------------------------------------------------------

let dragged = null;
let pressed = null;

function pointTime(event) {
  const box = $("marks").getBoundingClientRect();
  return picture.time(Math.max(0, Math.min(box.width, event.clientX - box.left)));
}

$("marks").addEventListener("pointerdown", (event) => {
  if (event.button !== 0 || !picture.data) return;
  const take = takes[current];
  const box = $("marks").getBoundingClientRect();
  const near = take.first_skip_s != null && Math.abs(event.clientX - box.left - picture.x(take.first_skip_s)) < 12;
  pressed = { near, x: event.clientX };
  $("marks").setPointerCapture(event.pointerId);
});
$("marks").addEventListener("pointermove", (event) => {
  if (!pressed?.near || Math.abs(event.clientX - pressed.x) < 3) return;
  dragged = pointTime(event);
  tick();
});
$("marks").addEventListener("pointerup", (event) => {
  if (!pressed) return;
  if (dragged != null) { const time = dragged; dragged = null; setFirst(time); }
  else if (event.shiftKey) setFirst(pointTime(event));
  else setCursor(pointTime(event));
  pressed = null;
});
$("marks").addEventListener("pointercancel", () => { pressed = dragged = null; tick(); });
$("marks").addEventListener("dblclick", (event) => setFirst(pointTime(event)));
$("marks").addEventListener("wheel", (event) => {
  if (!event.ctrlKey || !picture.data) return;
  event.preventDefault();
  zoom(event.deltaY < 0 ? 1.6 : 1 / 1.6, pointTime(event));
}, { passive: false });

// -- buttons and keys ------------------------------------------------------------------------

const actions = {
  Enter: accept, " ": playPause, f: playAround, g: toggleLoud, h: () => toggleSlow(),
  1: () => setLabel("clean"), 2: () => setLabel("skip"), 3: () => setLabel("slip"), 4: () => setLabel("void"),
  0: () => setLabel(null), j: () => step(1), k: () => step(-1), ArrowDown: () => step(1), ArrowUp: () => step(-1),
  n: () => step(1, isOpen), m: () => setFirst(cursor), "[": () => toClick(-1), "]": () => toClick(1),
  ",": () => moveCursor(-0.02), ".": () => moveCursor(0.02), "+": () => zoom(2), "=": () => zoom(2),
  "-": () => zoom(0.5), u: undo, e: () => { $("note").focus(); $("note").select(); },
  b: () => toggleBlind(), "?": () => $("keys").showModal(),
};

document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.isComposing || document.querySelector("dialog[open]")) return;
  const target = event.target;
  if (target === $("note") || target === $("first")) {
    if (event.key === "Enter" || event.key === "Escape") {
      if (event.key === "Escape") target.value = target === $("note") ? takes[current].note : takes[current].first_skip_s ?? "";
      event.preventDefault();
      target.blur();
      $("main").focus({ preventScroll: true });
    }
    return;
  }
  if (event.altKey || event.metaKey || event.ctrlKey) {
    if (event.key.toLowerCase() === "z" && !event.altKey && !event.shiftKey) { event.preventDefault(); undo(); }
    return;
  }
  const onControl = target.closest?.("button, select, a, input");
  if (onControl && (event.key === "Enter" || event.key === " ")) return;
  if (target.closest?.("select") || !$("keyson").checked) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (key === "ArrowLeft" || key === "ArrowRight") {
    event.preventDefault();
    return nudge((key === "ArrowLeft" ? -1 : 1) * (event.shiftKey ? 0.001 : 0.01));
  }
  const act = actions[key];
  if (!act || (event.repeat && ["Enter", " ", "u"].includes(key))) return;
  event.preventDefault();
  act();
});

const onClick = {
  undo, help: () => $("keys").showModal(), keysclose: () => $("keys").close(), play: playPause,
  around: playAround, loud: toggleLoud, slow: () => toggleSlow(), zoomin: () => zoom(2),
  zoomout: () => zoom(0.5), accept, wipe: () => setLabel(null), here: () => setFirst(cursor),
  nearest: () => toClick(1), previous: () => step(-1), next: () => step(1),
  nextopen: () => step(1, isOpen), reread: reload, reapply: () => settleConflict(true),
  dropit: () => settleConflict(false),
};
for (const [id, act] of Object.entries(onClick)) $(id).addEventListener("click", act);
for (const button of document.querySelectorAll("[data-label]"))
  button.addEventListener("click", () => setLabel(button.dataset.label));
// A click with the mouse leaves the keys free: Space plays, and does not press the button again.
document.addEventListener("click", (event) => {
  if (event.detail > 0 && event.target.closest("button")) document.activeElement?.blur?.();
});
$("note").addEventListener("change", saveNote);
$("first").addEventListener("change", () => {
  const value = $("first").value;
  if (value === "") save(current, { first_skip_s: null }, "first skip taken off");
  else if (Number.isFinite(Number(value))) setFirst(Number(value));
});
$("filter").addEventListener("change", redrawList);
$("blind").addEventListener("change", () => toggleBlind(false));
$("keyson").addEventListener("change", () => remember("keys", $("keyson").checked ? "1" : ""));

function begin(state, index) {
  takes = state.takes;
  current = index;
  kept.clear();
  $("undo").disabled = !state.can_undo;
  buildList();
  open(index);
}

async function start() {
  $("blind").checked = remembered("blind", "") === "1";
  $("keyson").checked = remembered("keys", "1") === "1";
  try {
    const state = await (await ask("state")).json();
    $("name").textContent = `Labels: ${state.name}`;
    document.title = `${state.name} · labels · stallcurve`;
    const last = state.takes.findIndex((take) => `${take.set}/${take.file}` === remembered("file", ""));
    const unlabelled = state.takes.findIndex((take) => !take.label);
    begin(state, last >= 0 ? last : Math.max(0, unlabelled));
    listen();
  } catch (error) {
    trouble(error.problem || String(error));
  }
}

start();
