// A week: Enter begins to go through its clips.

addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target === document.body) document.getElementById("begin")?.click();
});
