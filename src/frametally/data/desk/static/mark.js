// The page on which displays are marked: what is drawn on the photo, what is asked of the desk, undo, and what is kept.
import { Board } from "./board.js";
import { get, make, say, send, tell } from "./desk.js";
import { listKeys, onKeys } from "./keys.js";
import { showOthers, showReading } from "./readings.js";

const $ = (id) => document.getElementById(id);
const KEPT = "frametally-mark";
const FIELDS = ["quantity", "unit", "digits", "lowest", "highest", "resolution", "instrument", "key", "absolute", "relative", "kind"];

let draft = { reference: "", title: "", displays: [], trial: {} };
let number = 0;
let chosen = null;
const past = [], future = [];
const readings = new Map(); // by display: what is read on the photo that is marked on
const looking = new Map(); // by display: what stops its reading
let elsewhere = new AbortController();
const busy = new Set(); // readings under way: saving waits for them
let keeping, kept = Promise.resolve(), lastStep = "", lastTime = 0;

const display = (id = chosen) => draft.displays.find((one) => one.id === id);
const body = (id) => ({ draft, id });
const labelOf = (one, index) => one.quantity || `display ${index + 1}`;
const masksOf = (one) => (Array.isArray(one.digits) ? one.digits.join(", ") : one.digits);

// --- changes, undo, keeping

/** Change the draft so that it can be undone; steps of the same name in quick succession count as one. */
function change(step, work) {
  const now = Date.now();
  if (!(step === lastStep && now - lastTime < 900)) past.push(JSON.stringify(draft));
  if (past.length > 200) past.shift();
  [lastStep, lastTime] = [step, now];
  future.length = 0;
  work();
  changed();
}

function changed() {
  $("done").hidden = true;
  sessionStorage.setItem(KEPT, JSON.stringify({ draft, pending: true }));
  clearTimeout(keeping);
  keeping = setTimeout(() => (kept = keep()), 250);
  render();
}

async function keep() {
  clearTimeout(keeping);
  const sent = JSON.stringify(draft);
  try {
    const answer = await send("PUT", "/draft", draft, { keepalive: sent.length < 60000 });
    const pending = sent !== JSON.stringify(draft);
    for (const named of answer.draft.displays) {
      const ours = display(named.id);
      if (ours) for (const name of ["key", "instrument"]) if (!ours.own.includes(name)) ours[name] = named[name];
    }
    sessionStorage.setItem(KEPT, JSON.stringify({ draft, pending }));
    render();
  } catch (error) {
    tell(error);
  }
}

function step(from, to) {
  if (!from.length) return;
  to.push(JSON.stringify(draft));
  const before = draft;
  draft = JSON.parse(from.pop());
  lastStep = "";
  if (!display()) chosen = null;
  if (draft.reference !== before.reference) showPhoto(numberOf(draft.reference));
  fillTrial();
  changed();
  for (const one of draft.displays) {
    const old = before.displays.find((other) => other.id === one.id);
    if (JSON.stringify(old) !== JSON.stringify(one)) look(one.id);
  }
}

// --- reading what is marked

/** Read a display anew: the photo first, then a proposal where one is wanted, then twelve others, one by one. */
async function look(id, { propose = false } = {}) {
  looking.get(id)?.abort();
  const stop = new AbortController();
  looking.set(id, stop);
  if (id === chosen) elsewhere.abort();
  const work = readHere(id, propose, stop.signal);
  busy.add(work);
  const there = await work;
  busy.delete(work);
  if (there && id === chosen) await lookElsewhere(id);
}

/** Gives whether it came to an end: not where a later look at the same display took its place. */
async function readHere(id, propose, signal) {
  try {
    readings.set(id, await send("POST", "/read", body(id), { signal }));
    render();
    const one = display(id);
    if (one && (propose || !masksOf(one))) await takeProposal(id, signal);
    return true;
  } catch (error) {
    if (error.name === "AbortError") return false;
    readings.set(id, { text: "", level: "none", said: "not read", why: error.message, crop: "", rivals: [] });
    render();
    return false;
  }
}

async function takeProposal(id, signal) {
  const found = await send("POST", "/propose", body(id), { signal });
  const one = display(id);
  if (!one) return;
  const before = JSON.stringify(one);
  if (!one.own.includes("digits")) one.digits = found.digits;
  if (!one.own.includes("resolution")) one.resolution = found.resolution;
  if (!one.own.includes("range")) one.range = found.range;
  one.sureness = found.sureness;
  if (JSON.stringify(one) === before) return;
  readings.set(id, await send("POST", "/read", body(id), { signal }));
  changed();
}

async function lookElsewhere(id) {
  elsewhere.abort();
  elsewhere = new AbortController();
  const { signal } = elsewhere;
  try {
    const { numbers } = await send("POST", "/others", body(id), { signal });
    const put = showOthers($("others"), numbers);
    const waiting = [...numbers.keys()];
    const work = async () => {
      while (waiting.length) {
        const place = waiting.shift();
        put(place, await send("POST", `/read/${numbers[place]}`, body(id), { signal }));
      }
    };
    await Promise.all([work(), work()]);
  } catch (error) {
    tell(error);
  }
}

// --- what the page shows

function render() {
  const named = draft.displays.map((one, index) => ({ id: one.id, corners: one.corners, label: labelOf(one, index) }));
  board.draw(named, chosen);
  $("undo").disabled = !past.length;
  $("redo").disabled = !future.length;
  $("empty").hidden = draft.displays.length > 0;
  $("stage-hint").hidden = draft.displays.length > 0;
  renderList();
  renderEditor();
}

function renderList() {
  const focused = document.activeElement?.dataset?.display;
  $("list").replaceChildren(
    ...draft.displays.map((one, index) => {
      const read = readings.get(one.id);
      return make(
        "li", {},
        make(
          "button",
          { type: "button", "data-display": one.id, "aria-current": String(one.id === chosen), onclick: () => select(one.id) },
          make("span", {}, labelOf(one, index), make("small", {}, [one.instrument, one.key].filter(Boolean).join(" · "))),
          make("span", { class: "value" }, read ? read.text || "–" : "…", one.unit ? ` ${one.unit}` : ""),
          read ? make("span", { class: `chip ${read.level}` }, read.said) : "",
        ),
      );
    }),
  );
  if (focused) $("list").querySelector(`[data-display="${CSS.escape(focused)}"]`)?.focus();
}

function renderEditor() {
  const one = display();
  $("editor").hidden = !one;
  if (!one) return;
  showReading($("editor"), readings.get(one.id));
  const radios = [...$("quantities").querySelectorAll("input")];
  const match = radios.find((radio) => radio.dataset.quantity === one.quantity.replace(/^air /, "") && radio.dataset.unit === one.unit);
  const other = radios.at(-1);
  for (const radio of radios) radio.checked = radio === match || (radio === other && !match && (one.quantity !== "" || one.free === true));
  $("free").hidden = !other.checked;
  const shown = {
    ...one, digits: masksOf(one), lowest: one.range?.[0], highest: one.range?.[1], absolute: one.accuracy?.absolute,
    relative: one.accuracy?.relative ? +(one.accuracy.relative * 100).toFixed(4) : undefined,
  };
  for (const name of FIELDS) if (document.activeElement !== $(name)) $(name).value = shown[name] ?? "";
  $("proposed").textContent = proposal(one);
  $("instruments").replaceChildren(...[...new Set(draft.displays.map((each) => each.instrument))].map((name) => make("option", { value: name })));
}

function proposal(one) {
  if (one.own.includes("digits") || !one.digits) return "";
  if (one.sureness < 0.5) return "Nothing was read here surely: these digits are only the usual ones. Look at the box, or set them.";
  return "Digits, range and step are proposed from what is read; the instrument's data sheet knows better.";
}

function select(id) {
  if (id === chosen) return;
  chosen = id;
  elsewhere.abort();
  $("others").replaceChildren();
  render();
  if (id) look(id);
}

// --- the photo

const numberOf = (name) => [...$("strip").querySelectorAll("button")].findIndex((button) => button.title === name);

function showPhoto(next, size = board.size) {
  number = next;
  const buttons = $("strip").querySelectorAll("button");
  buttons.forEach((button, index) => button.setAttribute("aria-current", String(index === next)));
  const strip = $("strip").parentElement, at = buttons[next];
  strip.scrollLeft = at.offsetLeft - strip.clientWidth / 2 + at.offsetWidth / 2;
  board.show(`/photo/${next}.jpg`, at.title, size);
}

/** Mark on another photo: the boxes go along to where the displays are there. */
async function choosePhoto(next) {
  if (next === number) return;
  try {
    const found = await send("POST", `/carry/${next}`, { draft });
    const lost = draft.displays.filter((one) => !found.corners[one.id]);
    change("photo", () => {
      draft.reference = found.reference;
      for (const one of draft.displays) if (found.corners[one.id]) one.corners = found.corners[one.id].map((point) => point.map(Math.round));
    });
    showPhoto(next, found.size);
    readings.clear();
    for (const one of draft.displays) if (one.id !== chosen) await look(one.id);
    if (chosen) look(chosen);
    say(lost.length ? `${lost.length} of the displays were not found on this photo; look where their boxes are.` : `Marking on ${found.reference}.`);
  } catch (error) {
    tell(error);
  }
}

const board = new Board($("stage"), {
  select,
  draw: (corners) => addDisplay(corners),
  move: (id, corners, kind, done) => {
    if (JSON.stringify(display(id).corners) !== JSON.stringify(corners)) change(`${kind} ${id}`, () => (display(id).corners = corners));
    if (!done) return;
    if (kind !== "key") lastStep = "";
    readSoon(id, kind === "key" ? 120 : 0);
  },
});

let soon;
function readSoon(id, wait) {
  clearTimeout(soon);
  soon = setTimeout(() => look(id, { propose: !display(id)?.own.includes("digits") }), wait);
}

function addDisplay(corners) {
  const id = `d${Date.now().toString(36)}${draft.displays.length}`;
  change("draw", () => {
    draft.displays.push({
      id, corners, quantity: "", unit: "", digits: "", range: null, resolution: null, accuracy: null, kind: "segments", status: {},
      key: "", instrument: "", own: [],
    });
    chosen = id;
    $("others").replaceChildren();
  });
  lastStep = "";
  look(id, { propose: true });
  say("Box added. Choose what it shows.");
}

function removeDisplay() {
  if (!chosen) return;
  looking.get(chosen)?.abort();
  elsewhere.abort();
  change("remove", () => {
    draft.displays = draft.displays.filter((one) => one.id !== chosen);
    chosen = null;
  });
  lastStep = "";
  $("stage").focus();
  say("Removed. Undo brings it back.");
}

// --- the fields

const own = (one, name) => (one.own = [...new Set([...one.own, name])]);
const numberIn = (id) => {
  const text = $(id).value.trim().replace(",", ".");
  const value = Number(text);
  const bad = text !== "" && !Number.isFinite(value);
  $(id).setAttribute("aria-invalid", String(bad));
  return text === "" || bad ? null : value;
};

/** Take over what stands in a field; only what another reading may come of is read anew. */
function takeField(name) {
  const one = display();
  if (!one) return;
  change(`${name} ${one.id}`, () => {
    if (name === "lowest" || name === "highest") {
      const [low, high] = [numberIn("lowest"), numberIn("highest")];
      one.range = low === null || high === null ? null : [low, high];
      own(one, "range");
    } else if (name === "absolute" || name === "relative") {
      const [absolute, share] = [numberIn("absolute"), numberIn("relative")];
      one.accuracy = absolute === null && share === null ? null : { absolute: absolute ?? 0, relative: (share ?? 0) / 100 };
    } else if (name === "resolution") {
      one.resolution = numberIn("resolution");
      own(one, name);
    } else if (name === "digits") {
      const masks = $("digits").value.split(",").map((mask) => mask.trim()).filter(Boolean);
      one.digits = masks.length > 1 ? masks : masks[0] ?? "";
      one.own = masks.length ? [...new Set([...one.own, "digits"])] : one.own.filter((each) => each !== "digits");
    } else {
      one[name] = $(name).value.trim();
      if (one[name] || !["key", "instrument"].includes(name)) own(one, name);
      else one.own = one.own.filter((each) => each !== name);
    }
  });
  if (name === "digits") followMask(one);
  if (["digits", "kind", "lowest", "highest", "resolution"].includes(name)) readSoon(one.id, 250);
}

/** A mask set by hand brings its own range and step, unless those are set by hand too. */
async function followMask(one) {
  const first = masksOf(one).split(",")[0].trim();
  if (!/^-?(#[.:]?)+$/.test(first)) return;
  try {
    const found = await send("POST", "/mask", { digits: first, unit: one.unit });
    if (!one.own.includes("range")) one.range = found.range;
    if (!one.own.includes("resolution")) one.resolution = found.resolution;
    changed();
  } catch (error) {
    tell(error);
  }
}

function chooseQuantity(radio) {
  const one = display();
  if (!one) return;
  change(`quantity ${one.id}`, () => {
    if ("other" in radio.dataset) Object.assign(one, { quantity: "", unit: "", free: true });
    else Object.assign(one, { quantity: radio.dataset.quantity, unit: radio.dataset.unit, free: false });
  });
  lastStep = "";
  if (one.free) $("quantity").focus();
  else look(one.id, { propose: !one.own.includes("digits") });
}

// --- the form, saving

function fillTrial() {
  const form = $("trial");
  form.elements.title.value = draft.title ?? "";
  for (const field of form.querySelectorAll("[name]")) if (field.name !== "title") field.value = draft.trial[field.name] ?? "";
  form.querySelectorAll("[data-vent]").forEach((row, index) => {
    for (const field of row.querySelectorAll("[data-field]")) field.value = draft.trial.vent?.[index]?.[field.dataset.field] ?? "";
  });
}

function takeTrial({ target }) {
  change("trial", () => {
    if (target.name === "title") draft.title = target.value;
    else if (target.name) draft.trial = { ...draft.trial, [target.name]: target.value };
    if (target.name) return;
    draft.trial.vent = [...$("trial").querySelectorAll("[data-vent]")]
      .map((row) => Object.fromEntries([...row.querySelectorAll("[data-field]")].map((field) => [field.dataset.field, field.value])))
      .filter((row) => Object.values(row).some(Boolean));
  });
}

async function save() {
  $("faults").hidden = true;
  try {
    await Promise.all(busy);
    clearTimeout(keeping);
    await kept; // a draft that arrives after it is saved would count as unsaved
    const { done } = await send("POST", "/save", draft);
    sessionStorage.setItem(KEPT, JSON.stringify({ draft, pending: false }));
    $("restored").hidden = true;
    $("done").replaceChildren(...done.map((line) => make("p", {}, line)));
    $("done").hidden = false;
    $("done").scrollIntoView({ block: "nearest" });
    say(done[0]);
  } catch (error) {
    $("faults").textContent = error.message;
    $("faults").hidden = false;
    $("faults").scrollIntoView({ block: "nearest" });
  }
}

async function drop() {
  try {
    past.push(JSON.stringify(draft));
    draft = (await send("DELETE", "/draft")).draft;
    sessionStorage.removeItem(KEPT);
    chosen = null;
    location.reload();
  } catch (error) {
    tell(error);
  }
}

const toggleHand = () => {
  board.setHand(!board.hand);
  $("hand").setAttribute("aria-pressed", String(board.hand));
};
const escape = () => {
  if (board.hand) toggleHand();
  else select(null);
};

const KEYS = [
  ["N", "a box for another display, in the middle of what is seen"],
  ["Tab", "to the boxes and their corners"],
  ["← ↑ → ↓", "move a box or corner by one pixel; the photo, where none has the focus"],
  ["Shift ←", "the same, by ten"],
  ["+ -", "closer, farther"],
  ["0", "the whole photo"],
  ["H", "dragging moves the photo, or draws again"],
  ["Delete", "remove the selected display"],
  ["Ctrl Z", "undo"],
  ["Ctrl Shift Z", "redo"],
  ["Ctrl S", "save"],
  ["Esc", "select nothing"],
  ["?", "this list"],
];

function listen() {
  $("undo").onclick = () => step(past, future);
  $("redo").onclick = () => step(future, past);
  $("help").onclick = () => listKeys($("keys"), KEYS);
  $("save").onclick = save;
  $("drop").onclick = drop;
  $("add").onclick = () => addDisplay(board.middle());
  $("hand").onclick = toggleHand;
  $("closer").onclick = () => board.zoomIn(1.5);
  $("farther").onclick = () => board.zoom(1 / 1.5);
  $("whole").onclick = () => board.fit();
  $("remove").onclick = removeDisplay;
  $("turn").onclick = () => {
    change("turn", () => (display().corners = [...display().corners.slice(1), display().corners[0]]));
    lastStep = "";
    look(chosen);
  };
  $("strip").onclick = (event) => {
    const button = event.target.closest("button");
    if (button) choosePhoto(Number(button.dataset.number));
  };
  $("quantities").onchange = (event) => chooseQuantity(event.target);
  for (const name of FIELDS) $(name).addEventListener("change", () => takeField(name));
  $("trial").addEventListener("change", takeTrial);
  $("trial").addEventListener("submit", (event) => event.preventDefault());
  addEventListener("pagehide", () => JSON.parse(sessionStorage.getItem(KEPT) ?? "{}").pending && keep());
  onKeys({
    n: () => addDisplay(board.middle()), h: toggleHand, "+": () => board.zoomIn(1.25), "=": () => board.zoomIn(1.25), "-": () => board.zoom(0.8),
    0: () => board.fit(), delete: removeDisplay, backspace: removeDisplay, "ctrl+z": () => step(past, future),
    "ctrl+shift+z": () => step(future, past), "ctrl+y": () => step(future, past), escape, "?": () => listKeys($("keys"), KEYS),
  });
  addEventListener("keydown", (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") event.preventDefault(), save();
  });
}

async function start() {
  listen();
  const state = await get("/state");
  draft = state.draft;
  const tab = JSON.parse(sessionStorage.getItem(KEPT) ?? "null");
  if (tab?.pending && numberOf(tab.draft.reference) >= 0) draft = tab.draft;
  $("restored").hidden = !state.restored;
  showPhoto(numberOf(draft.reference), state.size);
  board.fit();
  fillTrial();
  render();
  if (tab?.pending) await keep();
  document.body.dataset.ready = "true";
  for (const one of draft.displays) await look(one.id);
}

start().catch(tell);
