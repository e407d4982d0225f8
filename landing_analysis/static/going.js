// Keys through the clips of a week; they work where nothing can be drawn, too.

import { isTyping } from "./player.js";

const keys = {
  n: () => document.getElementById("after")?.click(),
  p: () => document.getElementById("before")?.click(),
  v: () => document.querySelector('[form="review"]')?.click(),
};

addEventListener("keydown", (event) => {
  const act = keys[event.key.toLowerCase()];
  if (!act || isTyping(event)) return;
  event.preventDefault();
  act();
});
