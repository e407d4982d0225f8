// Curves of two clips over one another, as the program computed them.

const WIDE = Math.min(640, Math.max(340, innerWidth - 40)), TALL = 260, LEFT = 46, RIGHT = 12, TOP = 14, BOTTOM = 34;
const COLOURS = { left: "#0072b2", right: "#b04600" };

function made(tag, facts, text) {
  const part = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(facts)) part.setAttribute(name, value);
  if (text !== undefined) part.textContent = text;
  return part;
}

// One plot for each limb that both clips show; one for all where they show different limbs.
export function panelsOf(curves) {
  const [one, other] = curves.map((clip) => Object.keys(clip.limbs));
  const both = one.filter((limb) => other.includes(limb));
  return both.length
    ? both.map((limb) => ({ heading: `${limb} knee`, limbs: [limb, limb] }))
    : [{ heading: `${one[0]} knee (━) and ${other[0]} knee (╍)`, limbs: [one[0], other[0]] }];
}

export function plot(panel, curves, reps) {
  const lines = curves.map((clip, k) => {
    const limb = clip.limbs[panel.limbs[k]];
    return reps
      ? { middle: limb.reps[reps[k]] ?? [], low: [], high: [] }
      : { middle: limb.mean, low: limb.low, high: limb.high };
  });
  const after = curves[0].after_s;
  const values = lines.flatMap((line) => [...line.middle, ...line.low, ...line.high]).filter((v) => v !== null);
  const low = Math.min(0, ...values), high = Math.max(10, ...values);
  const x = (s) => LEFT + ((s - after[0]) / (after[after.length - 1] - after[0])) * (WIDE - LEFT - RIGHT);
  const y = (deg) => TOP + ((high - deg) / (high - low || 1)) * (TALL - TOP - BOTTOM);
  const named = reps ? `reps ${reps.join(" and ")}` : "means";
  const svg = made("svg", {
    viewBox: `0 0 ${WIDE} ${TALL}`, role: "img",
    "aria-label": `${curves[0].label} of the ${panel.heading} from ${-after[0]} s before to ${after[after.length - 1]} s after initial contact, ${named} of both clips.`,
  });
  axes(svg, x, y, after, low, high, curves[0].label);
  lines.forEach((line, k) => {
    const colour = COLOURS[panel.limbs[k]];
    for (const run of runs(line.low, line.high)) {
      const there = run.map((at) => `${x(after[at])},${y(line.high[at])}`);
      const back = [...run].reverse().map((at) => `${x(after[at])},${y(line.low[at])}`);
      svg.append(made("polygon", { points: [...there, ...back].join(" "), fill: colour, opacity: 0.16 }));
    }
    for (const run of runs(line.middle))
      svg.append(made("polyline", {
        points: run.map((at) => `${x(after[at])},${y(line.middle[at])}`).join(" "), fill: "none",
        stroke: colour, "stroke-width": 2.5, "stroke-dasharray": k ? "7 4" : "none",
      }));
  });
  const dots = lines.map((_, k) => made("circle", { r: 5, fill: COLOURS[panel.limbs[k]], stroke: "#fff", "stroke-width": 1.5, opacity: 0 }));
  svg.append(...dots);
  const figure = document.createElement("figure");
  const heading = document.createElement("h3");
  heading.textContent = panel.heading;
  figure.append(heading, svg);
  const move = (times) =>
    dots.forEach((dot, k) => {
      const at = times[k] === null ? -1 : nearest(after, times[k]);
      const deg = lines[k].middle[at] ?? null;
      dot.setAttribute("opacity", deg === null ? 0 : 1);
      if (deg === null) return;
      dot.setAttribute("cx", x(after[at]));
      dot.setAttribute("cy", y(deg));
    });
  return { figure, move };
}

function axes(svg, x, y, after, low, high, label) {
  const step = high - low > 60 ? 20 : high - low > 25 ? 10 : 5;
  for (let deg = Math.ceil(low / step) * step; deg <= high; deg += step) {
    svg.append(made("line", { x1: LEFT, x2: WIDE - RIGHT, y1: y(deg), y2: y(deg), stroke: deg ? "#d5dade" : "#5f6b76" }));
    svg.append(made("text", { x: LEFT - 6, y: y(deg) + 4, "text-anchor": "end", "font-size": 12, fill: "#22303c" }, deg));
  }
  for (let k = Math.ceil(after[0] * 10); k <= after[after.length - 1] * 10; k += 1)
    svg.append(made("text", { x: x(k / 10), y: TALL - BOTTOM + 16, "text-anchor": "middle", "font-size": 12, fill: "#22303c" }, k / 10));
  svg.append(made("line", { x1: x(0), x2: x(0), y1: TOP, y2: TALL - BOTTOM, stroke: "#22303c", "stroke-width": 1.5 }));
  svg.append(made("text", { x: (LEFT + WIDE) / 2, y: TALL - 3, "text-anchor": "middle", "font-size": 12, fill: "#22303c" }, "s after initial contact"));
  svg.append(made("text", { x: 4, y: 10, "font-size": 12, fill: "#22303c" }, `${label}, deg`));
}

function runs(...series) {
  const found = [];
  let run = [];
  series[0].forEach((_, at) => {
    if (series.every((one) => one[at] !== null)) run.push(at);
    else if (run.length) found.push(run), (run = []);
  });
  if (run.length) found.push(run);
  return found;
}

function nearest(after, time) {
  const step = after[1] - after[0], at = Math.round((time - after[0]) / step);
  return at >= 0 && at < after.length ? at : -1;
}
