"use strict";
// Draws vents: a bar for where each is, and a line for how it came there, with the band and the deadline.
const DRAWN_S = 120;
const SVG = "http://www.w3.org/2000/svg";

function drawn(kind, className, parent) {
  const element = document.createElementNS(SVG, kind);
  element.setAttribute("class", className);
  parent.append(element);
  return element;
}

function put(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
}

class Vent {
  constructor(signal, parent) {
    this.name = signal.name;
    this.root = made("section", "vent", parent);
    const head = made("h3", "", this.root);
    made("span", "", head).textContent = words(signal.name);
    this.value = made("span", "value", head, "–");
    const frame = document.createElementNS(SVG, "svg");
    frame.setAttribute("class", "bar");
    put(frame, { viewBox: "0 0 100 10", preserveAspectRatio: "none", role: "meter", "aria-label": words(signal.name),
      "aria-valuemin": 0, "aria-valuemax": 100, "aria-valuenow": 0, "aria-valuetext": "not read yet" });
    this.root.append(frame);
    this.bar = frame;
    put(drawn("rect", "frame", frame), { x: 0, y: 2, width: 100, height: 6 });
    this.bands = drawn("g", "", frame);
    this.fill = drawn("rect", "fill", frame);
    put(this.fill, { x: 0, y: 4, width: 0, height: 2.5 });
    this.stand = drawn("line", "stand", frame);
    const ends = made("p", "ends", this.root);
    made("span", "", ends, "closed 0 %");
    made("span", "", ends, "100 % open");
    this.course = document.createElementNS(SVG, "svg");
    this.course.setAttribute("class", "course");
    put(this.course, { viewBox: `0 0 ${DRAWN_S} 110`, preserveAspectRatio: "none", "aria-hidden": "true" });
    this.root.append(this.course);
    this.marks = drawn("g", "", this.course);
    this.path = drawn("polyline", "path", this.course);
    this.span = made("p", "ends", this.root);
    made("span", "", this.span, `${DRAWN_S} s ago`);
    made("span", "", this.span, "now");
    this.demands = made("ul", "", this.root);
  }

  draw(now_s, points, text, demands) {
    const last = points.at(-1);
    this.value.textContent = text ?? "–";
    if (last) {
      const middle = Math.min(100, Math.max(0, (last[1] + last[2]) / 2));
      put(this.fill, { width: middle });
      put(this.stand, { x1: middle, x2: middle, y1: 0.5, y2: 9.5 });
      put(this.bar, { "aria-valuenow": Math.round(middle), "aria-valuetext": text });
    }
    const from_s = now_s - DRAWN_S;
    const y = (percent) => 105 - Math.min(105, Math.max(-5, percent));
    const shown = points.filter((point) => point[0] >= from_s - 5);
    const line = shown.map(([t, low, high]) => `${(t - from_s).toFixed(2)},${y((low + high) / 2).toFixed(2)}`);
    if (last) line.push(`${DRAWN_S},${y((last[1] + last[2]) / 2).toFixed(2)}`);
    put(this.path, { points: line.join(" ") });
    this.bands.replaceChildren();
    this.marks.replaceChildren();
    for (const one of demands) this.mark(one, from_s, y);
  }

  mark(one, from_s, y) {
    if (one.from === undefined || one.verdict === "pass" || one.signals.length > 1) return;
    const x = (t) => Math.min(DRAWN_S, Math.max(0, t - from_s));
    const low = one.low ?? (one.high === null || one.leave ? null : 0);
    const high = one.high ?? (one.low === null || one.leave ? null : 100);
    if (low !== null && high !== null && low !== undefined && !one.leave) {
      put(drawn("rect", "band", this.bands), { x: Math.max(0, low), y: 1, width: Math.max(0.5, Math.min(100, high) - Math.max(0, low)), height: 8 });
      put(drawn("rect", "band", this.marks), { x: x(one.from), y: y(high), width: Math.max(0, x(one.to ?? Infinity) - x(one.from)),
        height: Math.max(1, y(low) - y(high)) });
    }
    for (const level of one.levels ?? []) {
      if (level !== null) put(drawn("line", "target", this.marks), { x1: x(one.from), x2: DRAWN_S, y1: y(level), y2: y(level) });
    }
    for (const [at_s] of one.limits ?? []) {
      if (at_s > from_s && at_s < from_s + DRAWN_S) put(drawn("line", "deadline", this.marks), { x1: x(at_s), x2: x(at_s), y1: 0, y2: 110 });
    }
  }
}

begin();
