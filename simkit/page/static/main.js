// The page put together: one session, the piece and its notes, panels, the folder.

import { Folder } from "./folder.js";
import { Piece } from "./holding.js";
import { Ladder } from "./ladder.js";
import { Outlines } from "./outlines.js";
import { mountChange, mountPrint, mountTune } from "./panels.js";
import { Session } from "./session.js";

const find = (selector) => document.querySelector(selector);
const session = new Session();
const piece = new Piece(session);
const outlines = new Outlines(find(".outlines"), session, piece);
new Ladder(find(".notes"), session);
const folder = new Folder(find("#folder"), session, openDesign);
window.simkitPage = { session, piece }; // for whoever looks at the page from outside, tests among them

// --- what is shown: the folder, or one design ---

async function openDesign(name) {
  try {
    await session.open(name);
  } catch (why) {
    show("folder");
    return say(why.message, true);
  }
  history.replaceState(null, "", `?${new URLSearchParams({ design: name })}`);
  show("design");
}

function show(what) {
  find("#folder").hidden = what !== "folder";
  find("#design").hidden = what !== "design";
  find(".tools").hidden = what !== "design";
  document.title = what === "design" ? `${session.design.title || session.design.file} · simkit` : "simkit";
  if (what === "folder") folder.show().catch((why) => say(why.message, true));
  else outlines.draw();
}

find("#all").addEventListener("click", () => { history.replaceState(null, "", "?"); show("folder"); });

// --- the row of tools ---

const tool = (id, path, body = {}) => find(id).addEventListener("click", () => act(path, body));

async function act(path, body = {}) {
  try {
    if (session.hand && path !== "reload") await session.letGo();
    return await session.post(path, body);
  } catch (why) {
    if (why.changed) { session.state.outside = true; session.emit("state"); }
    say(why.message, true);
    return null;
  }
}

tool("#undo", "undo");
tool("#redo", "redo");
tool("#theirs", "reload");
tool("#mine", "save", { over: true });
find("#save").addEventListener("click", save);
find("#copy").addEventListener("click", async () => {
  const name = prompt("Name of the copy", session.design.file.replace(/(\.toml)$/, " 2$1"));
  if (!name) return;
  const made = await act("save", { name: name.endsWith(".toml") ? name : `${name}.toml` });
  if (made?.design) openDesign(made.design);
});

async function save() {
  const done = await act("save");
  if (done) say(`${session.design.file} is saved`);
}

addEventListener("keydown", (event) => {
  if (event.key === "Escape" && session.hand) session.dropHand();
  if (!(event.ctrlKey || event.metaKey) || find("#design").hidden) return;
  const key = event.key.toLowerCase(), typing = event.target.matches?.("input, select, textarea");
  if (key === "s") { event.preventDefault(); save(); }
  if (typing) return;
  if (key === "z") { event.preventDefault(); act(event.shiftKey ? "redo" : "undo"); }
  if (key === "y") { event.preventDefault(); act("redo"); }
});

addEventListener("beforeunload", (event) => {
  if (session.design && !session.design.saved) event.preventDefault();
});

session.on("state", () => {
  const { state, design } = session;
  find("#title").textContent = design.title || design.file;
  find("#file").textContent = `${design.file}${state.saved ? "" : state.on_disk ? ", not saved" : ", not written yet"}`;
  find("#undo").disabled = state.undo === null;
  find("#redo").disabled = state.redo === null;
  find("#undo").title = state.undo ? `Undo: ${state.undo}` : "Nothing to undo";
  find("#redo").title = state.redo ? `Redo: ${state.redo}` : "Nothing to redo";
  find("#save").disabled = state.saved;
  find("#changed").hidden = !state.outside;
  find("#changed span").textContent = `Another program changed ${design.file}.`;
});

// --- what may not be ---

const limits = find(".limits");
const tellLimits = () => {
  const items = session.limits.map((limit) => {
    const item = document.createElement("li");
    const lacks = document.createElement("b");
    lacks.textContent = limit.lacks ? `${limit.lacks} too little: ` : "";
    item.append(lacks, limit.rule ? `${limit.what}: ${limit.rule}` : limit.what);
    return item;
  });
  limits.hidden = !items.length;
  limits.replaceChildren(...items);
};
for (const event of ["state", "drag", "numbers"]) session.on(event, tellLimits);

const cautions = find(".cautions");
session.on("numbers", () => {
  const said = [...(session.state?.cautions ?? []), ...(session.state?.known?.predicted?.cautions ?? [])];
  find("details.careful").hidden = !said.length;
  if (cautions.dataset.said === said.join()) return;
  cautions.dataset.said = said.join();
  cautions.replaceChildren(...said.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
});

// --- words for a moment ---

let silence;
function say(text, lasting = false) {
  const place = find("#said");
  place.textContent = text;
  place.classList.add("shown");
  clearTimeout(silence);
  silence = setTimeout(() => place.classList.remove("shown"), lasting ? 9000 : 3500);
}
session.on("said", (text) => say(text, text.length > 60));
session.on("lost", () => { find("#lost").hidden = false; });
session.on("back", () => { find("#lost").hidden = true; say("It answers again."); });

// --- panels ---

const mounted = new Map();
const PANELS = {
  change: async (element) => mountChange(element, session, piece),
  tune: async (element) => mountTune(element, session),
  hear: async (element) => (await import("./sound.js")).mount(element, session),
  bench: async (element) => (await import("./bench.js")).mount(element, session),
  print: async (element) => mountPrint(element, session),
};
const LEAVES = ["hear", "bench"]; // what makes sound or listens is put away with its tab

async function choosePanel(name) {
  for (const tab of document.querySelectorAll("[role=tab]")) {
    const mine = tab.dataset.panel === name;
    tab.setAttribute("aria-selected", mine);
    tab.tabIndex = mine ? 0 : -1;
    find(`#panel-${tab.dataset.panel}`).hidden = !mine;
  }
  for (const other of LEAVES) {
    if (other === name || !mounted.has(other)) continue;
    (await mounted.get(other))?.unmount?.();
    mounted.delete(other);
    find(`#panel-${other}`).replaceChildren();
  }
  if (mounted.has(name)) return;
  const element = find(`#panel-${name}`);
  mounted.set(name, PANELS[name](element).catch((why) => {
    mounted.delete(name);
    element.textContent = `This part did not load: ${why.message}`;
  }));
}

const tabs = [...document.querySelectorAll("[role=tab]")];
for (const tab of tabs) {
  tab.addEventListener("click", () => choosePanel(tab.dataset.panel));
  tab.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    const to = tabs[(tabs.indexOf(tab) + step + tabs.length) % tabs.length];
    to.focus();
    choosePanel(to.dataset.panel);
  });
}

// --- the picture in the round, where there is WebGL: once the outlines are seen, for its library takes its time ---

const seen = () => new Promise((done) => requestAnimationFrame(() => setTimeout(done)));

async function round() {
  const place = find(".round");
  try {
    await seen();
    const { Round } = await import("./round.js");
    new Round(place, session, piece).draw();
  } catch {
    place.hidden = true; // the three outlines remain
  }
}

// --- begin ---

const first = new URLSearchParams(location.search).get("design");
if (first) openDesign(first).then(round);
else { show("folder"); session.on("state", () => { if (!round.begun) { round.begun = true; round(); } }); }
choosePanel("change");
session.connect();
