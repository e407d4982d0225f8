// Two clips side by side, both at initial contact of a rep.

import { ask, words } from "./asking.js";
import { Player, isTyping } from "./player.js";

const players = [...document.querySelectorAll("[data-player]")].map((root) => new Player(root));
const said = document.getElementById("said");
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
  const table = document.createElement("table");
  const head = table.createTHead().insertRow();
  for (const text of ["Measure", `Rep ${one.number}, left clip`, `Rep ${other.number}, right clip`, "Mean, left clip", "Mean, right clip"]) {
    const th = document.createElement("th");
    th.scope = "col";
    th.textContent = text;
    head.append(th);
  }
  const key = (row) => `${row.label}${row.limb ? `, ${row.limb}` : ""}${row.unit ? ` (${row.unit})` : ""}`;
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

document.getElementById("together").addEventListener("click", together);
addEventListener("keydown", (event) => {
  if (isTyping(event)) return;
  if (event.key === " " && !event.target.closest("button, a")) together();
  else if (event.key === "ArrowLeft") players.forEach((player) => player.step(-1));
  else if (event.key === "ArrowRight") players.forEach((player) => player.step(1));
  else return;
  event.preventDefault();
});

try {
  const views = await Promise.all(players.map((player) => ask(`/clip/${player.root.dataset.clip}/view.json`)));
  players.forEach((player, k) => {
    player.show(views[k], 0);
    player.goToRep(views[k].worst_rep);
    align(player);
  });
  let reps = "";
  for (const player of players)
    player.onFrame(() => {
      const now = players.map((one) => one.rep?.number).join(" ");
      if (now !== reps) fill();
      reps = now;
    });
  fill();
  document.body.dataset.ready = "yes";
} catch (error) {
  said.textContent = words(error);
}
