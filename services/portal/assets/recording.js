// Fills the form of marks from a player. The video is opened by the browser and
// never sent: its field stands outside the form and has no name. Without this
// script the form does the same by hand.

const byId = (id) => document.getElementById(id);
const form = byId("form");
const deck = byId("deck");
const video = byId("video");
const rate = byId("rate");
const atStep = byId("at-step");
const atPoint = byId("at-point");

const jump = 5; // seconds
const paceStep = 0.25;

const say = (words) => { byId("said").textContent = words; };

// place writes seconds as the form reads them: m:ss or h:mm:ss, to a tenth.
function place(seconds) {
  const tenths = Math.round(seconds * 10);
  const s = Math.floor(tenths / 10);
  const two = (n) => String(n).padStart(2, "0");
  const [h, m] = [Math.floor(s / 3600), Math.floor(s / 60) % 60];
  const head = h > 0 ? `${h}:${two(m)}` : String(m);
  return `${head}:${two(s % 60)}` + (tenths % 10 ? `.${tenths % 10}` : "");
}

const now = () => place(video.currentTime);
const open = () => Number.isFinite(video.duration);

// --- rows of the form

const tables = { known: byId("known"), steps: byId("steps"), points: byId("points") };
const rowsOf = (table) => [...table.tBodies[0].rows];
const field = (row, name) => row.querySelector(`[name="${name}"]`);
const typed = (row) => [...row.querySelectorAll("input")].some((i) => i.value !== "") || (field(row, "step")?.value ?? "") !== "";

function number(table) {
  rowsOf(table).forEach((row, i) => {
    row.cells[0].textContent = String(i + 1);
    for (const e of row.querySelectorAll("[id], [aria-label]")) {
      if (e.id) e.id = e.id.replace(/-\d+/, `-${i + 1}`);
      e.setAttribute("aria-label", e.getAttribute("aria-label").replace(/\d+/, String(i + 1)));
    }
  });
}

function empty(row) {
  for (const i of row.querySelectorAll("input")) i.value = "";
  for (const s of row.querySelectorAll("select")) s.selectedIndex = 0;
}

function addRow(table) {
  const rows = rowsOf(table);
  const row = rows[rows.length - 1].cloneNode(true);
  empty(row);
  table.tBodies[0].append(row);
  number(table);
  return row;
}

const emptyRow = (table) => rowsOf(table).find((row) => !typed(row)) ?? addRow(table);

function removeRow(row) {
  const table = row.closest("table");
  const rows = rowsOf(table);
  const next = rows[rows.indexOf(row) + 1] ?? rows[rows.indexOf(row) - 1];
  if (next) row.remove(); else empty(row);
  number(table);
  (next ?? row).querySelector("button.remove").focus();
  say("The row is removed.");
  save();
}

function offerRemoval(table) {
  const head = document.createElement("th");
  head.scope = "col";
  head.textContent = "Take out";
  table.tHead.rows[0].append(head);
  rowsOf(table).forEach((row, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "remove";
    button.textContent = "Remove";
    button.setAttribute("aria-label", `Remove row ${i + 1} of the ${table.id === "known" ? "known moments" : table.id === "steps" ? "steps" : "teaching points"}`);
    row.insertCell().append(button);
  });
  table.addEventListener("click", (e) => {
    if (e.target.matches("button.remove")) removeRow(e.target.closest("tr"));
  });
}

// --- what was typed survives a reload, in this tab alone

const key = `marks ${form.dataset.case} ${form.dataset.by}`;
const listed = { known: "known_offset", steps: "step_start", points: "point_at" };

function save() {
  const kept = [...form.elements].filter((e) => e.name && e.type !== "submit").map((e) => [e.name, e.value]);
  try { sessionStorage.setItem(key, JSON.stringify(kept)); } catch { /* the page works without */ }
}

function restore() {
  let kept;
  try { kept = JSON.parse(sessionStorage.getItem(key) ?? "null"); } catch { return; }
  if (!Array.isArray(kept)) return;
  for (const [id, name] of Object.entries(listed)) {
    const wanted = kept.filter(([n]) => n === name).length;
    while (rowsOf(tables[id]).length < wanted) addRow(tables[id]);
  }
  const seen = {};
  for (const [name, value] of kept) {
    const at = (seen[name] = (seen[name] ?? -1) + 1);
    const e = form.querySelectorAll(`[name="${name}"]`)[at];
    if (!e) continue;
    e.value = value;
    // A step that was recorded meanwhile isn't offered any more.
    if (e.tagName === "SELECT" && e.value !== value) e.selectedIndex = 0;
  }
  say("What you had typed before is here again. Open the video file once more to go on.");
}

// --- marks

const words = (select) => select.selectedOptions[0].textContent;
const startedRow = (step) => rowsOf(tables.steps).findLast((row) =>
  (!step || field(row, "step").value === step) && field(row, "step_start").value && !field(row, "step_end").value);

function choose(by) {
  const i = atStep.selectedIndex + by;
  if (i > 0 && i < atStep.length) atStep.selectedIndex = i;
  say(`Step: ${words(atStep)}.`);
}

function mark(end) {
  const step = atStep.value;
  if (!step) return say("Choose a step first.");
  const row = (end && startedRow(step)) || emptyRow(tables.steps);
  field(row, "step").value = step;
  field(row, end ? "step_end" : "step_start").value = now();
  say(`${words(atStep)} ${end ? "ends" : "begins"} at ${now()}.`);
  if (end && atStep.selectedIndex + 1 < atStep.length) atStep.selectedIndex += 1;
  save();
}

function note(polarity) {
  const row = emptyRow(tables.points);
  field(row, "point").value = atPoint.value.trim();
  field(row, "point_polarity").value = polarity;
  field(row, "point_at").value = now();
  const running = startedRow("");
  field(row, "point_step").value = running ? field(running, "step").value : atStep.value;
  save();
  const what = polarity === "strength" ? "Went well" : "To work on";
  if (field(row, "point").value) {
    say(`${what}: ${field(row, "point").value} at ${now()}.`);
    atPoint.value = "";
    return;
  }
  video.pause();
  field(row, "point").focus();
  say(`${what} at ${now()}. Type the code of the teaching point; Enter goes back to the player.`);
}

function moment() {
  video.pause();
  const row = emptyRow(tables.known);
  field(row, "known_offset").value = now();
  field(row, "known_clock").focus();
  say(`Known moment at ${now()}. Type the time on the theatre's clock; Enter goes back to the player.`);
  save();
}

function pace(to) {
  const wanted = Math.min(16, Math.max(0.1, to));
  if (!Number.isFinite(wanted)) return;
  video.playbackRate = wanted;
  if (Number(rate.value) !== wanted) rate.value = String(Math.round(wanted * 100) / 100);
  say(`Pace ${rate.value}.`);
}

const seek = (by) => { video.currentTime = Math.min(video.duration, Math.max(0, video.currentTime + by)); };

const actions = {
  play: () => { if (video.paused) video.play().catch(cannot); else video.pause(); },
  back: () => seek(-jump),
  forward: () => seek(jump),
  slower: () => pace(video.playbackRate - paceStep),
  faster: () => pace(video.playbackRate + paceStep),
  previous: () => choose(-1),
  next: () => choose(1),
  begin: () => mark(false),
  end: () => mark(true),
  strength: () => note("strength"),
  improve: () => note("improve"),
  moment,
};

function act(name) {
  if (!open()) return say("Open a video file first, or fill in the rows below by hand.");
  actions[name]();
}

// --- the player

const cannot = () => say("The browser can't play this file. Save it as MP4 or WebM and open that, or fill in the rows below by hand.");

let address = "";
byId("file").addEventListener("change", (e) => {
  if (address) URL.revokeObjectURL(address);
  const file = e.target.files[0];
  address = file ? URL.createObjectURL(file) : "";
  if (address) video.src = address; else video.removeAttribute("src");
});

function opened() {
  form.elements.recording_length.value = place(Math.ceil(video.duration * 10) / 10);
  show();
  say(`The recording is open: ${place(video.duration)}. It stays on this machine.`);
  deck.focus();
  save();
}

// A file that a browser recorded doesn't tell its length until its end was sought.
video.addEventListener("loadedmetadata", () => {
  if (open()) return opened();
  const found = () => {
    if (!open()) return;
    video.removeEventListener("durationchange", found);
    video.currentTime = 0;
    opened();
  };
  video.addEventListener("durationchange", found);
  video.currentTime = Number.MAX_SAFE_INTEGER;
});
video.addEventListener("error", () => { if (address) cannot(); });
const show = () => { byId("place").textContent = open() ? `${now()} of ${place(video.duration)}` : "No recording is open."; };
for (const event of ["timeupdate", "seeked", "emptied"]) video.addEventListener(event, show);
rate.addEventListener("change", () => pace(Number(rate.value)));

const keys = Object.fromEntries([...deck.querySelectorAll("button[data-key]")].map((b) => [b.dataset.key, b.dataset.do]));
deck.addEventListener("click", (e) => { if (e.target.dataset.do) act(e.target.dataset.do); });
deck.addEventListener("keydown", (e) => {
  // Only on the player and its buttons: a field keeps all its keys.
  if (e.ctrlKey || e.altKey || e.metaKey || (e.target !== deck && e.target.tagName !== "BUTTON")) return;
  const name = keys[e.key.length === 1 ? e.key.toLowerCase() : e.key];
  if (!name) return;
  e.preventDefault();
  act(name);
});

// Enter in a row goes back to the player instead of sending half the marks.
form.addEventListener("keydown", (e) => {
  if (e.key !== "Enter" || e.target.tagName !== "INPUT") return;
  e.preventDefault();
  if (open()) deck.focus();
});
form.addEventListener("input", save);
form.addEventListener("change", save);

for (const table of Object.values(tables)) offerRemoval(table);
byId("player").hidden = false;
if (form.dataset.done) {
  try { sessionStorage.removeItem(key); } catch { /* nothing was kept */ }
} else if (form.dataset.kept) save();
else restore();
