// Two clips side by side, both at initial contact of a rep.

import { ask, words } from "./asking.js";
import { panelsOf, plot } from "./curves.js";
import { Player, isTyping } from "./player.js";

const players = [...document.querySelectorAll("[data-player]")].map((root) => new Player(root));
const said = document.getElementById("said");
const curveOf = document.getElementById("curve-of");
const over = document.getElementById("curves");
let curves = null, plots = [];
document.body.classList.add("broad");

function align(player) {
  const rep = player.rep;
  if (rep?.landing_s != null) player.go(player.nearest(rep.landing_s));
}

function together() {
  const paused = players.every((player) => !player.video || player.video.paused);
  if (!paused) return players.forEach((player) => player.video?.pause());
  players.forEach(align);
  const speed = players[0].speed.value;
  for (const player of players) {
    player.speed.value = speed;
    player.setSpeed();
    player.video?.play();
  }
}

function fill() {
  const [one, other] = players.map((player) => player.rep);
  if (!one || !other) return;
  const [means, otherMeans] = players.map((player) => player.view.summary);
  // One leg here and the other there: their rows belong beside each other.
  const limbs = [means, otherMeans].map((rows) => [...new Set(rows.flatMap((row) => row.limb ?? []))]);
  const apart = limbs.every((own) => own.length === 1) && limbs[0][0] !== limbs[1][0];
  const key = (row) => `${row.label}${row.limb && !apart ? `, ${row.limb}` : ""}${row.unit ? ` (${row.unit})` : ""}`;
  const of = (k) => (apart ? `, ${limbs[k][0]}` : "");
  const table = document.createElement("table");
  const head = table.createTHead().insertRow();
  for (const text of ["Measure", `━ Rep ${one.number}${of(0)}`, `╍ Rep ${other.number}${of(1)}`, `━ Mean${of(0)}`, `╍ Mean${of(1)}`]) {
    const th = document.createElement("th");
    th.scope = "col";
    th.textContent = text;
    head.append(th);
  }
  const found = [one.measures, other.measures, means, otherMeans].map(
    (rows) => new Map(rows.filter((row) => row.value !== null).map((row) => [key(row), row])),
  );
  const body = table.createTBody();
  for (const name of new Set(found.flatMap((rows) => [...rows.keys()]))) {
    const line = body.insertRow();
    const th = document.createElement("th");
    th.scope = "row";
    th.textContent = name;
    line.append(th);
    for (const rows of found) {
      const row = rows.get(name);
      line.insertCell().textContent = row ? `${row.value} ± ${row.half_width}${row.by_hand ? " ✎" : ""}` : "–";
    }
  }
  document.getElementById("values-table").replaceChildren(table);
}

function layOver() {
  const names = ["first", "second"];
  const told = curves.flatMap((clip, k) => (clip.why_not ? [`The ${names[k]} clip ${clip.why_not}.`] : []));
  if (!told.length && curves[0].kind !== curves[1].kind)
    told.push(`The clips show different angles, ${curves[0].label} and ${curves[1].label}: nothing to lay over one another.`);
  plots = [];
  over.replaceChildren(...told.map((text) => Object.assign(document.createElement("p"), { className: "plain", textContent: text })));
  if (told.length) return;
  const reps = curveOf.value === "rep" ? players.map((player) => player.rep?.number) : null;
  plots = panelsOf(curves).map((panel) => plot(panel, curves, reps));
  over.replaceChildren(...plots.map((one) => one.figure));
  moveDots();
}

function moveDots() {
  const times = players.map((player, k) => {
    const rep = player.rep;
    return rep?.landing_s == null ? null : (player.view.t_s[player.frame] - rep.landing_s) / curves[k].slowed_by;
  });
  for (const one of plots) one.move(times);
}

curveOf.addEventListener("change", layOver);
document.getElementById("together").addEventListener("click", together);
addEventListener("keydown", (event) => {
  if (isTyping(event)) return;
  if (event.key === " " && !event.target.closest("button, a")) together();
  else if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
    const by = event.key === "ArrowLeft" ? -1 : 1;
    for (const player of players)
      if (event.shiftKey) {
        player.stepRep(by);
        align(player);
      } else player.step(by);
  } else return;
  event.preventDefault();
});

try {
  const clips = players.map((player) => `/clip/${player.root.dataset.clip}`);
  const views = await Promise.all(clips.map((place) => ask(`${place}/view.json`)));
  curves = await Promise.all(clips.map((place) => ask(`${place}/curves.json`)));
  players.forEach((player, k) => {
    player.show(views[k], 0);
    player.goToRep(views[k].worst_rep);
    align(player);
  });
  let reps = "";
  for (const player of players)
    player.onFrame(() => {
      const now = players.map((one) => one.rep?.number).join(" ");
      if (now !== reps) {
        fill();
        layOver();
      } else moveDots();
      reps = now;
    });
  fill();
  layOver();
  document.body.dataset.ready = "yes";
} catch (error) {
  said.textContent = words(error);
}
