// Runs inside a page and tells its parent what sticks out or lies over something else.
addEventListener("load", () => {
  const wide = innerWidth, problems = [];
  for (const fold of document.querySelectorAll("details")) fold.open = true;
  if (document.documentElement.scrollWidth > wide + 1) {
    problems.push(`the page is ${document.documentElement.scrollWidth} wide`);
    for (const part of document.body.querySelectorAll("*"))
      if (part.getBoundingClientRect().right > wide + 1 && !part.closest(".scroll"))
        problems.push(`too wide: ${part.tagName} ${part.className}`);
  }
  const texts = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node; (node = walker.nextNode()); ) {
    if (!node.data.trim() || node.parentElement.closest("style, script, .unseen, title")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const inside = node.parentElement.closest(".scroll");
    for (const box of range.getClientRects()) {
      if (box.width < 1 || box.height < 1) continue;
      if (!inside && (box.right > wide + 1 || box.left < -1))
        problems.push(`cut off: ${node.data.trim().slice(0, 50)}`);
      texts.push([box, node.data.trim(), node.parentElement.closest("svg")]);
    }
  }
  texts.sort((a, b) => a[0].top - b[0].top);
  for (let i = 0; i < texts.length; i++)
    for (let j = i + 1; j < texts.length && texts[j][0].top < texts[i][0].bottom; j++) {
      const [a, b] = [texts[i][0], texts[j][0]];
      const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (across > 2 && down > 0.35 * Math.min(a.height, b.height) && texts[i][1] !== texts[j][1])
        problems.push(`overlap: ${texts[i][1].slice(0, 40)} | ${texts[j][1].slice(0, 40)}`);
    }
  parent.postMessage({ wide, problems: [...new Set(problems)] }, "*");
});
