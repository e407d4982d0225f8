// One clip: keys, values of the rep shown, and everything that is put right.

import { ask, words, write } from "./asking.js";
import { Player, isTyping } from "./player.js";

const clip = document.body.dataset.clip;
const place = `/clip/${clip}`;
const player = new Player(document.querySelector("[data-player]"));
const said = document.getElementById("said");
const limbField = document.getElementById("edit-limb");
const partField = document.getElementById("edit-part");
const who = document.getElementById("who");
const remembered = `frame of ${clip}`;
let version = document.body.dataset.version;
let flightFrom = null;

function say(text) {
  said.hidden = !text;
  said.textContent = text;
}

function cell(tag, text, className) {
  const made = document.createElement(tag);
  made.textContent = text;
  if (className) made.className = className;
  return made;
}

// --- what is shown -----------------------------------------------------------------------------

function showRep(rep) {
  const box = document.getElementById("rep");
  document.getElementById("rep-heading").textContent = rep ? `Rep ${rep.number}${rep.exercise ? `, ${rep.exercise}` : ""}` : "No rep";
  if (!rep || box.dataset.shown === `${version} ${rep.number}`) return;
  box.dataset.shown = `${version} ${rep.number}`;
  const parts = [];
  if (!rep.used) parts.push(cell("p", `Not used: ${rep.reason}`, "reason"));
  if (rep.flags.length) parts.push(cell("p", rep.flags.join("; ")));
  const table = document.createElement("table");
  const rows = new Map();
  for (const row of rep.measures) {
    if (!rows.has(row.name)) rows.set(row.name, { label: row.label, unit: row.unit, cells: {} });
    rows.get(row.name).cells[row.limb ?? "whole"] = row;
  }
  const head = table.createTHead().insertRow();
  const limbs = ["left", "right"].filter((limb) => rep.measures.some((row) => row.limb === limb && row.value !== null));
  for (const text of ["Measure", ...limbs.map((limb) => (limb === "left" ? "● left" : "■ right"))]) {
    const th = cell("th", text);
    th.scope = "col";
    head.append(th);
  }
  const body = table.createTBody();
  // What the view is filmed for stands first, and what was set by hand next.
  const rank = ([name, { cells }]) => (name === player.view.key ? 2 : Object.values(cells).some((row) => row.by_hand) ? 1 : 0);
  const first = [...rows.entries()].sort((one, other) => rank(other) - rank(one));
  for (const [, { label, unit, cells }] of first) {
    if (!Object.values(cells).some((row) => row.value !== null)) continue;
    const line = body.insertRow();
    const th = cell("th", `${label}${unit ? `, ${unit}` : ""}`);
    th.scope = "row";
    line.append(th);
    if (cells.whole) {
      const whole = valueCell(cells.whole);
      whole.colSpan = Math.max(1, limbs.length);
      whole.className = "whole";
      line.append(whole);
    } else for (const limb of limbs) line.append(valueCell(cells[limb]));
  }
  parts.push(table);
  box.replaceChildren(...parts);
}

function valueCell(row) {
  const td = document.createElement("td");
  if (!row) return td;
  td.textContent = row.value === null ? "n/m" : `${row.value} ± ${row.half_width}`;
  if (row.reason) td.title = row.reason;
  if (row.by_hand) {
    td.append(cell("span", " ✎", "by-hand-mark"));
    td.append(cell("small", ` found: ${row.found}`));
  }
  return td;
}

function showChanges(changes, took_ms) {
  const box = document.getElementById("changed");
  const list = document.createElement("ul");
  list.className = "changes-list";
  for (const one of changes)
    list.append(cell("li", `${one.label}${one.limb ? `, ${one.limb}` : ""}: ${one.before} → ${one.after}`));
  const heading = changes.length
    ? `Means of the set that changed (${(took_ms / 1000).toFixed(2)} s):`
    : `No mean of the set changed (${(took_ms / 1000).toFixed(2)} s).`;
  box.replaceChildren(cell("p", heading), list);
}

// --- putting right -----------------------------------------------------------------------------

async function put(what, fields) {
  const begun = performance.now();
  try {
    const answer = await write(`${place}/${what}`, { version, by: who.value, ...fields });
    version = answer.version;
    for (const field of document.querySelectorAll('input[name="version"]')) field.value = version;
    document.getElementById("undo").disabled = false;
    if (what === "undo") document.getElementById("redo").disabled = false;
    else if (what !== "redo") document.getElementById("redo").disabled = true;
    if (answer.view) {
      player.show(answer.view);
      showChanges(answer.changes, performance.now() - begun);
    }
    say("");
  } catch (error) {
    say(words(error));
    player.draw();
  }
}

function contactHere(limb) {
  const time = player.view.t_s[player.frame];
  const own = player.view.contacts.filter((one) => one.limb === limb);
  const away = (one) => Math.min(Math.abs(one.on_s - time), one.off_s === null ? Infinity : Math.abs(one.off_s - time));
  const inside = own.find((one) => one.on_s <= time && (one.off_s ?? Infinity) >= time);
  return inside ?? own.sort((a, b) => away(a) - away(b))[0] ?? null;
}

function setEdge(contact, what, time) {
  return put("contact", { what, limb: contact.limb, player_s: contact.anchor_s, new: time.toFixed(5) });
}

function nudge(what, by) {
  const contact = contactHere(limbField.value);
  if (!contact) return say(`No contact of the ${limbField.value} foot is near.`);
  const time = what === "toe-off" ? contact.off_s : contact.on_s;
  if (time === null) return say("This contact has no toe-off; go to the frame and set it there.");
  const frame = Math.max(0, Math.min(player.view.t_s.length - 1, player.nearest(time) + by));
  player.go(frame);
  return setEdge(contact, what, player.view.t_s[frame]);
}

const acts = {
  "on-here": () => edgeHere("initial contact"),
  "off-here": () => edgeHere("toe-off"),
  "on-earlier": () => nudge("initial contact", -1),
  "on-later": () => nudge("initial contact", 1),
  "off-earlier": () => nudge("toe-off", -1),
  "off-later": () => nudge("toe-off", 1),
  mark() {
    flightFrom = player.view.t_s[player.frame];
    document.getElementById("contact-words").textContent = `The flight begins at ${flightFrom.toFixed(3)} s; go to the landing and add it.`;
  },
  add() {
    const time = player.view.t_s[player.frame];
    const from = flightFrom !== null && flightFrom < time ? ` from ${flightFrom.toFixed(5)}` : "";
    flightFrom = null;
    return put("contact", { what: "contact", limb: limbField.value, player_s: time, new: `on ${time.toFixed(5)}${from}` });
  },
  delete() {
    const contact = contactHere(limbField.value);
    if (contact) return put("contact", { what: "contact", limb: contact.limb, player_s: contact.anchor_s, new: "deleted" });
  },
  place: startPlacing,
  "place-done": donePlacing,
  "place-stop": stopPlacing,
  "leave-out"() {
    const why = document.getElementById("why-out");
    if (!player.rep) return;
    if (!why.value.trim()) {
      say("Say in a few words why the rep is left out.");
      return why.focus();
    }
    return put("exclude", { rep: player.rep.number, out: "yes", reason: why.value });
  },
  "take-in": () => player.rep && put("exclude", { rep: player.rep.number, out: "no" }),
};

function edgeHere(what) {
  const contact = contactHere(limbField.value);
  if (contact) return setEdge(contact, what, player.view.t_s[player.frame]);
  say(`No contact of the ${limbField.value} foot is near.`);
}

// --- a landmark --------------------------------------------------------------------------------

function placing(is) {
  player.stage.classList.toggle("placing", is);
  for (const act of ["place-done", "place-stop"]) document.querySelector(`[data-do="${act}"]`).hidden = !is;
  if (!is) player.placed = null;
  player.draw();
}

function startPlacing() {
  const point = player.pointsAt(player.frame).find(
    (one) => one && one.limb === limbField.value && one.part === partField.value,
  );
  if (!point) return say("That landmark is not seen in this frame.");
  player.placed = { ...point, frame: player.frame };
  placing(true);
  tellPlace();
}

function tellPlace() {
  const { limb, part, x, y } = player.placed;
  document.getElementById("place-words").textContent = `${limb} ${part} at ${x.toFixed(0)}, ${y.toFixed(0)} px; Enter keeps it, Esc leaves it.`;
}

function movePlaced(x, y) {
  Object.assign(player.placed, { x, y });
  player.draw();
  tellPlace();
}

async function donePlacing() {
  const { limb, part, x, y, frame } = player.placed;
  placing(false);
  await put("contact", {
    what: "landmark", limb, part, player_s: player.view.t_s[frame], new: `${x.toFixed(1)} ${y.toFixed(1)}`,
  });
}

function stopPlacing() {
  placing(false);
  document.getElementById("place-words").textContent = "";
}

player.stage.addEventListener("pointerdown", (event) => {
  if (!player.placed) return;
  player.stage.setPointerCapture(event.pointerId);
  const { x, y } = player.pictureAt(event);
  movePlaced(x, y);
});
player.stage.addEventListener("pointermove", (event) => {
  if (!player.placed || !event.buttons) return;
  const { x, y } = player.pictureAt(event);
  movePlaced(x, y);
});

// --- keys --------------------------------------------------------------------------------------

function choose(field, by) {
  field.selectedIndex = Math.max(0, Math.min(field.options.length - 1, field.selectedIndex + by));
  field.dispatchEvent(new Event("change"));
}

const keys = {
  " ": () => player.toggle(),
  s: () => choose(player.speed, player.speed.selectedIndex === player.speed.options.length - 1 ? -9 : 1),
  "+": () => choose(player.zoom, 1),
  "-": () => choose(player.zoom, -1),
  0: () => choose(player.zoom, -9),
  l: () => {
    player.showLines = !player.showLines;
    player.draw();
  },
  d: acts["on-here"], f: acts["off-here"], "[": acts["on-earlier"], "]": acts["on-later"],
  "{": acts["off-earlier"], "}": acts["off-later"], t: acts.mark, a: acts.add, x: acts.delete,
  m: startPlacing, e: acts["leave-out"],
  u: () => put("undo", {}),
  r: () => put("redo", {}),
  "?": showKeys,
};

function showKeys() {
  document.getElementById("keys").showModal();
}

addEventListener("keydown", (event) => {
  if (isTyping(event) || !player.view) return;
  if (player.placed && keyPlacing(event)) return event.preventDefault();
  if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
    const by = event.key === "ArrowLeft" ? -1 : 1;
    if (event.shiftKey) player.stepRep(by);
    else player.step(by);
    return event.preventDefault();
  }
  if (event.key === " " && event.target.closest("button, a, summary")) return;
  const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!act) return;
  event.preventDefault();
  act();
});

function keyPlacing(event) {
  const by = event.shiftKey ? 10 : 1, { x, y } = player.placed;
  const moves = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] };
  if (event.key === "Enter") donePlacing();
  else if (event.key === "Escape") stopPlacing();
  else if (event.key in moves) movePlaced(x + moves[event.key][0], y + moves[event.key][1]);
  else return false;
  return true;
}

for (const button of document.querySelectorAll("[data-do]"))
  button.addEventListener("click", () => acts[button.dataset.do]());
document.getElementById("show-keys").addEventListener("click", showKeys);
document.getElementById("undo").addEventListener("click", () => put("undo", {}));
document.getElementById("redo").addEventListener("click", () => put("redo", {}));
player.onEdge = setEdge;
player.onFrame((frame, rep) => {
  showRep(rep);
  if (player.placed && player.placed.frame !== frame) stopPlacing();
  sessionStorage.setItem(remembered, frame);
});

try {
  const view = await ask(`${place}/view.json`);
  const kept = sessionStorage.getItem(remembered);
  version = view.version;
  limbField.value = view.near_limb ?? view.contacts[0]?.limb ?? "left";
  player.show(view, 0);
  if (kept !== null) player.go(Number(kept));
  else player.goToRep(view.worst_rep);
  document.body.dataset.ready = "yes";
} catch (error) {
  say(words(error));
}
