// Today: shows what changes, and takes clips that are dragged onto the page.

import { ask, send, words } from "./asking.js";

const EVERY_MS = 1500;
const live = document.getElementById("live");
const place = document.getElementById("drop");
const said = document.getElementById("drop-said");
const whose = document.getElementById("drop-for");
let mark = null;

async function refresh() {
  try {
    const now = await ask("/");
    const busy = live.contains(document.activeElement) && document.activeElement !== live;
    const filled = [...live.querySelectorAll("select, input:not([type=hidden])")].some(
      (field) => field.value && field.value !== field.defaultValue && field.name,
    );
    if (now.mark !== mark && !busy && !(mark !== null && filled)) {
      live.innerHTML = now.html;
      mark = now.mark;
    }
  } catch (error) {
    said.textContent = words(error);
  }
  setTimeout(refresh, EVERY_MS);
}

function line(text) {
  const one = document.createElement("p");
  one.textContent = text;
  said.append(one);
  return one;
}

async function drop(files) {
  said.replaceChildren();
  for (const file of files) {
    const one = line(`${file.name} …`);
    try {
      const answer = await send("/drop", file, {
        "X-File-Name": encodeURIComponent(file.name),
        "X-Patient": whose.value,
      });
      one.textContent = answer.said;
    } catch (error) {
      one.textContent = `${file.name}: ${words(error)}`;
    }
  }
}

addEventListener("dragover", (event) => {
  event.preventDefault();
  place.classList.add("over");
});
addEventListener("dragleave", () => place.classList.remove("over"));
addEventListener("drop", (event) => {
  event.preventDefault();
  place.classList.remove("over");
  drop(event.dataTransfer.files);
});
document.getElementById("clip-files").addEventListener("change", (event) => drop(event.target.files));
refresh();
