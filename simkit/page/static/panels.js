// The panels beside the piece: numbers of what is chosen, tuning and the judge, sheets and report.

import { make } from "./elements.js";

/** Numbers of what is chosen, to be typed. */
export function mountChange(element, session, piece) {
  const choose = make("select", { id: "part", onchange: () => piece.choose(choose.value) });
  const boxes = make("div", { class: "boxes" });
  element.append(make("label", { class: "field wide", for: "part" }, make("span", {}, "Part"), choose), boxes,
    make("p", { class: "hint" }, "Drag a hole along the wall, or its rim to widen it. With the keyboard: Tab to it, arrows move, + and − widen, Esc puts it back."));
  let shape = "", inputs = [];
  const key = (handle) => (handle.kind === "body" ? `body:${handle.numbers[0].name}` : handle.opening);
  const name = (handle) => (handle.kind === "body" ? `${handle.label}: ${handle.numbers[0].label}` : handle.label);
  const renew = () => {
    const now = session.handles.map((h) => key(h)).join();
    if (now !== shape) {
      shape = now;
      choose.replaceChildren(...session.handles.map((h) => make("option", { value: key(h) }, name(h))));
    }
    const handle = session.handles.find((each) => key(each) === piece.selected) ?? session.handles[0];
    if (!handle) return;
    if (piece.selected === null) piece.selected = key(handle);
    choose.value = key(handle);
    if (inputs.handle?.opening !== handle.opening || inputs.key !== key(handle) || inputs.state !== session.state) build(handle);
    fill();
  };
  const build = (handle) => {
    inputs = handle.numbers.map((number) => {
      const stretched = number.unit === "%";
      const input = make("input", { type: "number", id: `n-${number.label}`, step: number.unit === "°" ? "1" : stretched ? "0.5" : "0.1", inputmode: "decimal" });
      const shown = (value) => (stretched ? (value / 100) * number.of_mm : value);
      input.addEventListener("input", () => {
        const value = input.valueAsNumber;
        if (Number.isFinite(value)) piece.setNumber(handle, number.label, stretched ? (100 * value) / number.of_mm : value);
      });
      input.addEventListener("change", () => session.letGo());
      input.addEventListener("keydown", (event) => event.key === "Escape" && session.dropHand());
      return { number, input, shown, node: make("label", { class: "field", for: `n-${number.label}` }, make("span", {}, `${number.label}, ${number.unit === "°" ? "°" : "mm"}`), input) };
    });
    Object.assign(inputs, { handle, key: key(handle), state: session.state });
    boxes.replaceChildren(...inputs.map((each) => each.node));
  };
  const fill = () => {
    for (const { number, input, shown } of inputs) {
      // What is being typed is not overwritten.
      if (document.activeElement === input && session.hand) continue;
      input.value = shown(session.value(number)).toFixed(number.unit === "°" ? 1 : 2);
    }
  };
  session.on("state", renew);
  session.on("chosen", renew);
  session.on("drag", fill);
  renew();
}

const MAY_MOVE = [
  ["diameters", "how wide the holes are", true], ["places", "where the holes are", false],
  ["voicing", "the window", false], ["size", "the body's size", true], ["shape", "the body's shape", false],
];

/** Tuning with progress and a way to stop it; one note before the judge. */
export function mountTune(element, session) {
  const boxes = MAY_MOVE.map(([word, said, on]) => [word, make("input", { type: "checkbox", id: `free-${word}`, checked: on }), said]);
  const going = make("div", { class: "going", role: "status" });
  const tune = make("button", { class: "key strong", type: "button", onclick: () => begin("tune", { free: boxes.filter(([, box]) => box.checked).map(([word]) => word) }) }, "Tune it");
  const note = make("select", { id: "judge-note" });
  const judge = make("button", { class: "key", type: "button", onclick: () => { const [chamber, n] = JSON.parse(note.value); begin("judge", { chamber, note: n }); } }, "Ask the judge");
  element.append(
    make("fieldset", {}, make("legend", {}, "What may move until it is in tune"), ...boxes.map(([word, box, said]) => make("label", { class: "check", for: `free-${word}` }, box, said))),
    make("div", { class: "row" }, tune),
    make("div", { class: "row" }, make("label", { class: "field", for: "judge-note" }, make("span", {}, "One note by the judge, the slow and careful model"), note), judge),
    make("p", { class: "hint" }, "The judge takes half a minute for a note and more for many holes. Both can be stopped."), going);
  const begin = async (kind, given) => {
    try {
      await session.post("work", { kind, ...given });
    } catch (why) {
      session.announce(why.message);
    }
  };
  const renew = () => {
    const rows = (session.design?.chambers ?? []).flatMap((chamber) => chamber.notes.map((each, n) => [chamber.name, n, each.pitch]));
    const shape = JSON.stringify(rows);
    if (note.dataset.shape === shape) return;
    note.dataset.shape = shape;
    note.replaceChildren(...rows.map(([chamber, n, pitch]) => make("option", { value: JSON.stringify([chamber, n]) }, pitch)));
    judge.disabled = tune.disabled = !rows.length;
  };
  session.on("state", renew);
  showJobs(going, session, ["tune", "judge"]);
  renew();
}

/** Sheets at 1:1 and the report, made beside the design. */
export function mountPrint(element, session) {
  const going = make("div", { class: "going", role: "status" });
  const begin = (kind) => session.post("work", { kind }).catch((why) => session.announce(why.message));
  element.append(
    make("div", { class: "row" }, make("button", { class: "key strong", type: "button", onclick: () => begin("sheets") }, "Make the sheets"),
      make("button", { class: "key", type: "button", onclick: () => begin("report") }, "Make the report")),
    make("p", { class: "hint" }, "Of the design as it is shown, for clay that still shrinks, written beside its file."), going);
  showJobs(going, session, ["sheets", "report"]);
}

const WORDS = { tune: "Tuning", judge: "The judge", sheets: "Sheets", report: "Report", wish: "The wish", start: "A start" };

/** Long work of some kinds: how far, how long, a button that stops it, and what it made. */
export function showJobs(element, session, kinds, anyDesign = false) {
  const rows = new Map();
  session.on("job", (job) => {
    if (!kinds.includes(job.kind) || (!anyDesign && job.design !== session.design?.file)) return;
    let row = rows.get(job.job);
    if (!row) {
      for (const [number, old] of rows) if (old.done) { old.node.remove(); rows.delete(number); }
      const said = make("span", { class: "said" }), links = make("span", { class: "links" });
      const stop = make("button", { class: "key", type: "button", onclick: () => session.post("stop", { job: job.job }).catch(() => {}) }, "Stop");
      row = { said, links, stop, node: make("div", { class: "job" }, make("i", { class: "working", "aria-hidden": "true" }), said, links, stop), began: performance.now() };
      rows.set(job.job, row);
      element.append(row.node);
      row.clock = setInterval(() => say(row), 1000);
    }
    row.latest = job;
    row.done = job.state !== "running";
    row.node.dataset.state = job.state;
    say(row);
    if (!row.done) return;
    clearInterval(row.clock);
    row.stop.remove();
    row.links.replaceChildren(...(job.files ?? []).filter((name) => /\.(pdf|html)$/.test(name)).map((name) =>
      make("a", { href: `made/${job.folder ? `${encodeURIComponent(job.folder)}/` : ""}${encodeURIComponent(name)}`, target: "_blank", rel: "noopener" }, name)));
    session.announce(`${WORDS[job.kind]}: ${job.said}`);
  });
  const say = (row) => {
    const seconds = Math.round((performance.now() - row.began) / 1000);
    row.said.textContent = row.done ? `${WORDS[row.latest.kind]}: ${row.latest.said}` : `${WORDS[row.latest.kind]}: ${row.latest.said || "beginning"} · ${seconds} s`;
  };
}
