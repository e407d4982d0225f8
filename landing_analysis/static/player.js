// A video with the lines drawn live over it, frame by frame, and the timeline below it.

const SIDES = ["left", "right"];
const COLOURS = { left: "#5bb8f0", right: "#ff9a52" };
const BONES = [["shoulder", "hip"], ["hip", "knee"], ["knee", "ankle"], ["ankle", "heel"], ["heel", "toe"], ["ankle", "toe"]];
const LANE_PX = 34;
const HEAD_PX = 18;
const REACH_PX = 9;

export class Player {
  constructor(root) {
    this.root = root;
    for (const name of ["stage", "video", "lines", "timeline", "back", "play", "on", "speed", "zoom", "where", "reps", "note"])
      this[name] = root.querySelector(`[data-part="${name}"]`);
    this.frame = 0;
    this.annotated = this.video?.dataset.shows === "annotated";
    this.showLines = !this.annotated; // an annotated clip has its own
    this.placed = null; // a landmark being moved: { limb, part, x, y }
    this.listeners = [];
    this.view = null;
  }

  show(view, frame) {
    this.view = view;
    this.timeline.setAttribute("aria-valuemax", view.t_s.length - 1);
    if (!this.wired) this.wire();
    this.fillReps();
    this.go(frame ?? this.frame);
  }

  onFrame(listener) {
    this.listeners.push(listener);
  }

  wire() {
    this.wired = true;
    this.back.addEventListener("click", () => this.step(-1));
    this.on.addEventListener("click", () => this.step(1));
    this.play.addEventListener("click", () => this.toggle());
    this.speed.addEventListener("change", () => this.setSpeed());
    this.zoom.addEventListener("change", () => this.draw());
    this.timeline.addEventListener("pointerdown", (event) => {
      this.timeline.setPointerCapture(event.pointerId);
      this.grab(event);
    });
    this.timeline.addEventListener("pointermove", (event) => event.buttons && this.drag(event));
    this.timeline.addEventListener("pointerup", (event) => this.drop(event));
    const sizes = new ResizeObserver(() => this.draw());
    for (const part of [this.stage, this.timeline]) sizes.observe(part);
    if (!this.video) return;
    this.setSpeed();
    this.video.addEventListener("error", () => this.cannotPlay());
    // Of a clip with sound it plays the sound alone, and reports no error.
    this.video.addEventListener("loadedmetadata", () => this.video.videoWidth || this.cannotPlay());
    if (this.video.error || (this.video.readyState && !this.video.videoWidth)) this.cannotPlay();
    const shown = (_, facts) => {
      if (!this.video.paused) this.arrived(this.frameAt(facts.mediaTime + this.shift));
      this.video.requestVideoFrameCallback?.(shown);
    };
    if (this.video.requestVideoFrameCallback) this.video.requestVideoFrameCallback(shown);
    else this.video.addEventListener("timeupdate", () => !this.video.paused && this.arrived(this.frameAt(this.video.currentTime + this.shift)));
    for (const event of ["play", "pause", "ended"])
      this.video.addEventListener(event, () => {
        this.play.textContent = this.video.paused ? "▶" : "❚❚";
        this.play.setAttribute("aria-label", this.video.paused ? "Play" : "Pause");
      });
    this.video.addEventListener("loadeddata", () => this.draw());
  }

  // Annotated clips begin at 0, whatever the clip begins at.
  get shift() {
    return this.annotated ? this.view.t_s[0] : 0;
  }

  cannotPlay() {
    this.note.hidden = false;
    const why = "This browser cannot play the clip's kind of video";
    if (this.annotated || !this.root.dataset.instead) {
      this.note.textContent = `${why}, and no other copy of it is there: its lines stand alone.`;
      this.showLines = true;
      return this.draw();
    }
    this.annotated = true;
    this.showLines = false;
    this.note.textContent = `${why}: this is its annotated copy, with its lines of then and faces blurred.`;
    this.video.src = `/clip/${this.root.dataset.clip}/${this.root.dataset.instead}`;
    this.setSpeed();
    this.go(this.frame);
  }

  setSpeed() {
    if (this.video) this.video.playbackRate = Math.max(0.0625, Number(this.speed.value));
  }

  frameAt(time) {
    const times = this.view.t_s;
    let low = 0, high = times.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (times[middle] <= time + 1e-4) low = middle;
      else high = middle - 1;
    }
    return low;
  }

  nearest(time) {
    const frame = this.frameAt(time), times = this.view.t_s;
    return frame + 1 < times.length && times[frame + 1] - time < time - times[frame] ? frame + 1 : frame;
  }

  go(frame) {
    const times = this.view.t_s;
    frame = Math.max(0, Math.min(times.length - 1, frame));
    if (this.video) {
      this.video.pause();
      const next = times[frame + 1] ?? times[frame] + (times[frame] - (times[frame - 1] ?? 0));
      this.video.currentTime = (times[frame] + next) / 2 - this.shift; // well inside the frame
    }
    this.arrived(frame);
  }

  step(by) {
    this.go(this.frame + by);
  }

  toggle() {
    if (!this.video) return;
    if (this.video.paused) this.video.play();
    else this.video.pause();
  }

  goToRep(number) {
    const rep = this.view.reps.find((one) => one.number === number);
    const at = rep && (rep.peak_s ?? rep.landing_s);
    if (at != null) this.go(this.nearest(at));
  }

  stepRep(by) {
    const reps = this.view.reps, at = reps.indexOf(this.rep);
    const next = reps[Math.max(0, Math.min(reps.length - 1, at + by))];
    if (next) this.goToRep(next.number);
  }

  get rep() {
    const time = this.view.t_s[this.frame];
    const landed = this.view.reps.filter((rep) => rep.landing_s != null);
    const begun = landed.filter((rep) => rep.landing_s <= time + 0.15);
    return begun[begun.length - 1] ?? landed[0] ?? null;
  }

  arrived(frame) {
    this.frame = frame;
    this.timeline.setAttribute("aria-valuenow", frame);
    const time = this.view.t_s[frame], rep = this.rep;
    const said = `frame ${frame} of ${this.view.t_s.length - 1}, ${time.toFixed(3)} s${rep ? `, rep ${rep.number}` : ""}`;
    this.timeline.setAttribute("aria-valuetext", said);
    this.where.textContent = said;
    for (const button of this.reps.children)
      button.setAttribute("aria-current", String(rep !== null && Number(button.dataset.rep) === rep.number));
    this.draw();
    for (const listener of this.listeners) listener(frame, rep);
  }

  fillReps() {
    this.reps.replaceChildren(
      ...this.view.reps.map((rep) => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = rep.number;
        button.dataset.rep = rep.number;
        button.title = rep.used ? rep.flags.join(", ") : `not used: ${rep.reason}`;
        button.setAttribute("aria-label", `Rep ${rep.number}${rep.used ? "" : ", not used"}${rep.flags.length ? `, ${rep.flags.join(", ")}` : ""}`);
        button.classList.toggle("out", !rep.used);
        button.classList.toggle("flag", rep.flags.length > 0);
        button.addEventListener("click", () => this.goToRep(rep.number));
        return button;
      }),
    );
  }

  // --- the picture ---------------------------------------------------------------------------

  draw() {
    if (!this.view) return;
    this.drawLines();
    this.drawTimeline();
  }

  fit() {
    const box = this.stage.getBoundingClientRect(), { width, height } = this.view;
    const scale = Math.min(box.width / width, box.height / height);
    const zoom = Number(this.zoom.value);
    let x = width / 2, y = height / 2;
    if (zoom > 1) {
      const legs = this.pointsAt(this.frame).filter((point) => point && point.part !== "shoulder");
      if (legs.length) {
        x = legs.reduce((sum, point) => sum + point.x, 0) / legs.length;
        y = legs.reduce((sum, point) => sum + point.y, 0) / legs.length;
      }
    }
    const all = scale * zoom;
    return { scale: all, left: box.width / 2 - x * all, top: box.height / 2 - y * all, box, base: scale };
  }

  pointsAt(frame) {
    const flat = this.view.points[frame], drawn = this.view.drawn;
    return SIDES.flatMap((limb, side) =>
      drawn.map((part, k) => {
        const at = 2 * (side * drawn.length + k);
        if (!flat || flat[at] === null) return null;
        if (this.placed && this.placed.limb === limb && this.placed.part === part && this.placed.frame === frame)
          return { limb, part, x: this.placed.x, y: this.placed.y };
        return { limb, part, x: flat[at], y: flat[at + 1] };
      }),
    );
  }

  drawLines() {
    const { scale, left, top, box, base } = this.fit();
    const zoom = scale / base;
    if (this.video) {
      const { width, height } = this.view;
      const shiftX = left - (box.width - width * base) / 2, shiftY = top - (box.height - height * base) / 2;
      const tall = (box.height - height * base) / 2, wide = (box.width - width * base) / 2;
      this.video.style.transformOrigin = `${wide}px ${tall}px`;
      this.video.style.transform = zoom > 1 ? `translate(${shiftX}px, ${shiftY}px) scale(${zoom})` : "none";
    }
    const pen = sized(this.lines, box.width, box.height);
    if (!this.showLines && !this.placed) return;
    const points = this.pointsAt(this.frame);
    const place = (point) => [left + point.x * scale, top + point.y * scale];
    const known = Object.fromEntries(points.filter(Boolean).map((point) => [`${point.limb} ${point.part}`, point]));
    for (const limb of SIDES) {
      for (const [from, to] of BONES) {
        const one = known[`${limb} ${from}`], other = known[`${limb} ${to}`];
        if (!one || !other) continue;
        for (const [colour, thick] of [["#000a", 6], [COLOURS[limb], 3]]) {
          pen.strokeStyle = colour;
          pen.lineWidth = thick;
          pen.setLineDash(limb === "right" && thick === 3 ? [9, 5] : []);
          pen.beginPath();
          pen.moveTo(...place(one));
          pen.lineTo(...place(other));
          pen.stroke();
        }
      }
      pen.setLineDash([]);
      for (const part of this.view.drawn) {
        const point = known[`${limb} ${part}`];
        if (!point || part === "shoulder") continue;
        const [x, y] = place(point);
        const moved = this.placed && this.placed.limb === limb && this.placed.part === part;
        pen.fillStyle = moved ? "#fff" : COLOURS[limb];
        pen.strokeStyle = moved ? "#f0a868" : "#000";
        pen.lineWidth = moved ? 3 : 1;
        pen.beginPath();
        if (limb === "left") pen.arc(x, y, moved ? 8 : 4, 0, 7);
        else pen.rect(x - (moved ? 7 : 4), y - (moved ? 7 : 4), moved ? 14 : 8, moved ? 14 : 8);
        pen.fill();
        pen.stroke();
      }
    }
    this.tell(pen, known, place);
  }

  tell(pen, known, place) {
    const curve = this.view.curve;
    if (!curve) return;
    pen.font = "600 15px system-ui, sans-serif";
    for (const [limb, deg] of Object.entries(curve.deg)) {
      const knee = known[`${limb} knee`], value = deg[this.frame];
      if (!knee || value === null) continue;
      const [x, y] = place(knee), left = limb === "left";
      const words = `${Math.round(value) + 0}°`; // no minus zero
      pen.textAlign = left ? "left" : "right";
      pen.lineWidth = 4;
      pen.strokeStyle = "#000";
      pen.strokeText(words, x + (left ? 14 : -14), y + 5);
      pen.fillStyle = COLOURS[limb];
      pen.fillText(words, x + (left ? 14 : -14), y + 5);
    }
  }

  pictureAt(event) {
    const { scale, left, top, box } = this.fit();
    return { x: (event.clientX - box.left - left) / scale, y: (event.clientY - box.top - top) / scale };
  }

  // --- the timeline --------------------------------------------------------------------------

  xOf(time, wide) {
    const times = this.view.t_s, first = times[0], last = times[times.length - 1];
    return 4 + ((time - first) / (last - first || 1)) * (wide - 8);
  }

  timeAt(event) {
    const box = this.timeline.getBoundingClientRect(), times = this.view.t_s;
    const share = (event.clientX - box.left - 4) / (box.width - 8);
    return times[0] + Math.max(0, Math.min(1, share)) * (times[times.length - 1] - times[0]);
  }

  laneOf(event) {
    const y = event.clientY - this.timeline.getBoundingClientRect().top - HEAD_PX;
    return y >= 0 && y < 2 * LANE_PX ? SIDES[Math.floor(y / LANE_PX)] : null;
  }

  edgeAt(event) {
    const limb = this.laneOf(event), box = this.timeline.getBoundingClientRect();
    if (!limb || !this.onEdge) return null;
    const x = event.clientX - box.left;
    let found = null, least = REACH_PX;
    for (const contact of this.view.contacts.filter((one) => one.limb === limb))
      for (const [what, time] of [["initial contact", contact.on_s], ["toe-off", contact.off_s]]) {
        const away = time === null ? least : Math.abs(this.xOf(time, box.width) - x);
        if (away < least) [least, found] = [away, { contact, what, time }];
      }
    return found;
  }

  grab(event) {
    this.edge = this.edgeAt(event);
    this.moved = false;
    if (!this.edge) this.go(this.nearest(this.timeAt(event)));
  }

  drag(event) {
    const frame = this.nearest(this.timeAt(event));
    if (this.edge) {
      this.moved = true;
      this.edge.time = this.view.t_s[frame];
    }
    this.go(frame);
  }

  drop(event) {
    const edge = this.edge;
    this.edge = null;
    if (edge && this.moved) this.onEdge(edge.contact, edge.what, edge.time);
    else if (edge) this.go(this.nearest(this.timeAt(event)));
  }

  drawTimeline() {
    const box = this.timeline.getBoundingClientRect();
    const pen = sized(this.timeline, box.width, box.height), wide = box.width, view = this.view;
    pen.font = "12px system-ui, sans-serif";
    pen.fillStyle = "#343d45";
    for (const flight of view.flights)
      if (flight.from_s !== null && flight.to_s !== null) {
        const x = this.xOf(flight.from_s, wide);
        pen.fillRect(x, HEAD_PX, this.xOf(flight.to_s, wide) - x, 2 * LANE_PX);
      }
    SIDES.forEach((limb, k) => this.drawLane(pen, limb, HEAD_PX + k * LANE_PX, wide));
    pen.fillStyle = "#e8ecef";
    pen.textAlign = "center";
    for (const rep of view.reps)
      if (rep.landing_s !== null)
        pen.fillText(rep.used ? String(rep.number) : `(${rep.number})`, this.xOf(rep.landing_s, wide), 13);
    this.drawCurve(pen, HEAD_PX + 2 * LANE_PX + 6, box.height - 4, wide);
    const x = this.xOf(view.t_s[this.frame], wide);
    pen.strokeStyle = "#fff";
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(x, 0);
    pen.lineTo(x, box.height);
    pen.stroke();
  }

  drawLane(pen, limb, top, wide) {
    const last = this.view.t_s[this.view.t_s.length - 1];
    for (const contact of this.view.contacts.filter((one) => one.limb === limb)) {
      const edge = this.edge && this.edge.contact === contact ? this.edge : null;
      const on = edge?.what === "initial contact" ? edge.time : contact.on_s;
      const off = edge?.what === "toe-off" ? edge.time : contact.off_s;
      const from = this.xOf(on, wide), to = this.xOf(off ?? last, wide);
      pen.fillStyle = COLOURS[limb];
      pen.globalAlpha = off === null ? 0.35 : 0.8;
      pen.fillRect(from, top + 9, Math.max(2, to - from), LANE_PX - 18);
      pen.globalAlpha = 1;
      this.whisker(pen, on, contact.on_reach_s, top, wide, contact.on_by_hand);
      if (off !== null) this.whisker(pen, off, contact.off_reach_s, top, wide, contact.off_by_hand);
    }
    pen.textAlign = "left";
    pen.fillStyle = COLOURS[limb];
    pen.fillText(limb === "left" ? "● left" : "■ right", 5, top + 8);
  }

  whisker(pen, at, reach, top, wide, byHand) {
    const x = this.xOf(at, wide), from = this.xOf(at - reach, wide), to = this.xOf(at + reach, wide);
    const y = top + LANE_PX / 2;
    pen.strokeStyle = "#fff";
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(from, y);
    pen.lineTo(to, y);
    pen.moveTo(x, top + 5);
    pen.lineTo(x, top + LANE_PX - 5);
    pen.stroke();
    if (!byHand) return;
    pen.fillStyle = "#fff";
    pen.textAlign = "center";
    pen.fillText("✎", x, top + LANE_PX + 2);
  }

  drawCurve(pen, top, bottom, wide) {
    const curve = this.view.curve;
    if (!curve) return;
    const values = Object.values(curve.deg).flat().filter((value) => value !== null);
    if (!values.length) return;
    const low = Math.min(0, ...values), high = Math.max(10, ...values);
    const y = (value) => bottom - ((value - low) / (high - low)) * (bottom - top);
    pen.strokeStyle = "#66727d";
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(4, y(0));
    pen.lineTo(wide - 4, y(0));
    pen.stroke();
    for (const [limb, deg] of Object.entries(curve.deg)) {
      pen.strokeStyle = COLOURS[limb];
      pen.setLineDash(limb === "right" ? [5, 3] : []);
      pen.lineWidth = 1.5;
      pen.beginPath();
      let drawing = false;
      deg.forEach((value, frame) => {
        if (value === null) return (drawing = false);
        const at = [this.xOf(this.view.t_s[frame], wide), y(value)];
        if (drawing) pen.lineTo(...at);
        else pen.moveTo(...at);
        drawing = true;
      });
      pen.stroke();
    }
    pen.setLineDash([]);
    pen.fillStyle = "#e8ecef";
    pen.textAlign = "left";
    pen.fillText(`${curve.label}, deg`, 5, top + 9);
    pen.textAlign = "right";
    pen.fillText(`${high.toFixed(0)}`, wide - 4, top + 9);
    pen.fillText(`${low.toFixed(0)}`, wide - 4, bottom);
  }
}

function sized(canvas, width, height) {
  const ratio = devicePixelRatio || 1;
  const [w, h] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  return pen;
}

export function isTyping(event) {
  return event.target.closest("input, select, textarea, dialog") || event.ctrlKey || event.metaKey || event.altKey;
}
