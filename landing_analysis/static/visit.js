// A visit: print its summary, copy the text for the chart.

document.getElementById("print").addEventListener("click", () => {
  const paper = document.getElementById("paper");
  paper.contentWindow.focus();
  paper.contentWindow.print();
});

document.getElementById("copy").addEventListener("click", async () => {
  const text = document.getElementById("chart-text");
  const copied = document.getElementById("copied");
  text.select();
  try {
    await navigator.clipboard.writeText(text.value);
    copied.textContent = "Copied.";
  } catch {
    copied.textContent = document.execCommand("copy") ? "Copied." : "Press Ctrl-C to copy what is marked.";
  }
});
