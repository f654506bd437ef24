"use strict";
// Puts the page together from what the server tells. Names, readings and demands are texts, never markup.
const at = (id) => document.getElementById(id);
const shown = { readings: {}, now: {}, demands: [], happened: [], verdicts: [], prompts: {}, t: 0, heard: 0 };
let vents = new Map();
let waiting = false;

function made(kind, className, parent, text) {
  const element = document.createElement(kind);
  if (className) element.className = className;
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

function words(text) {
  return text.replaceAll("_", " ").replace(/(\d) (?=(%|s|min|h|°C|mm|m\/s)([^a-z]|$))/g, "$1\u00a0");
}

function span(s) {
  const whole = Math.max(0, Math.ceil(s));
  if (whole < 100) return `${whole} s`;
  return whole < 5400 ? `${Math.floor(whole / 60)} min ${whole % 60} s` : `${(whole / 3600).toFixed(1)} h`;
}

function now_s() {
  const moves = shown.run?.wall && !shown.end && !shown.over;
  return shown.t + (moves ? (performance.now() - shown.heard) / 1000 : 0);
}

function take(news) {
  if (news.reset) Object.assign(shown, { run: undefined, verdicts: [], happened: [], prompts: {} });
  if (news.run) {
    Object.assign(shown, { run: news.run, readings: {}, now: {}, demands: [], happened: [], step: undefined, end: undefined,
      safe: undefined, unsafe: undefined, prompts: {}, t: 0 });
    if (!news.reset) shown.verdicts.push({ title: news.run.title, findings: [], verdict: "", why: "" });
    build(news.run.signals);
  }
  if (news.reset) shown.verdicts = news.verdicts;
  for (const key of ["t", "step", "demands", "end", "safe", "unsafe", "part", "progress", "over"]) {
    if (news[key] !== undefined) shown[key] = news[key];
  }
  if (news.t !== undefined) shown.heard = performance.now();
  Object.assign(shown.now, news.now);
  for (const [name, points] of Object.entries(news.readings ?? {})) {
    const kept = (shown.readings[name] ??= []);
    kept.push(...points);
    while (kept.length && kept[0][0] < kept.at(-1)[0] - 150) kept.shift();
  }
  shown.happened = [...shown.happened, ...(news.happened ?? [])].slice(-60);
  for (const prompt of Object.values(news.prompts ?? {})) shown.prompts[prompt.number] = prompt;
  for (const number of news.answered ?? []) delete shown.prompts[number];
  const run = shown.verdicts.at(-1);
  if (run && !news.reset) {
    run.findings.push(...(news.findings ?? []));
    Object.assign(run, news.end);
    announce(news);
  }
  if (news.refused) tell(news.refused.prompt, `Not taken: ${news.refused.why}.`);
  if (news.reset || news.run || news.findings || news.end || news.progress) verdicts();
  if (news.end) shown.prompts = {};
  if (news.reset || news.prompts || news.answered || news.run || news.end) prompts();
  if (!waiting) {
    waiting = true;
    requestAnimationFrame(draw);
  }
}

function build(signals) {
  at("vents").replaceChildren();
  at("flags").replaceChildren();
  vents = new Map();
  for (const signal of signals) {
    if (signal.kind === "position") vents.set(signal.name, new Vent(signal, at("vents")));
  }
  shown.flags = new Map();
  for (const signal of signals) {
    if (signal.kind === "position") continue;
    const row = made("li", "", at("flags"));
    made("span", "", row, words(signal.name));
    shown.flags.set(signal.name, { value: made("b", "", row, "–"), kind: signal.kind });
  }
  at("vents-part").hidden = vents.size === 0;
  at("flags-part").hidden = shown.flags.size === 0;
}

function draw() {
  waiting = false;
  const t = now_s();
  head(t);
  for (const [name, vent] of vents) {
    const own = shown.demands.filter((one) => one.signals.includes(name));
    vent.draw(t, shown.readings[name] ?? [], shown.now[name], own);
    rows(vent.demands, own, t);
  }
  for (const [name, { value, kind }] of shown.flags ?? []) {
    const text = shown.now[name] ?? "–";
    value.textContent = kind === "flag" ? `${text === "on" ? "●" : "○"} ${text}` : text;
  }
  const others = shown.demands.filter((one) => !one.signals.some((name) => vents.has(name)));
  at("now-part").hidden = others.length === 0;
  rows(at("demands"), others, t, true);
  at("happened").replaceChildren();
  for (const one of shown.happened.slice(-20).reverse()) made("li", "", at("happened"), `${one.t.toFixed(1)} s  ${one.text}`);
}

function head(t) {
  const { run, step, end, part } = shown;
  campaign();
  if (!run) {
    if (shown.progress) at("title").textContent = shown.progress.title;
    return;
  }
  at("title").textContent = run.title;
  document.title = `${end ? end.verdict : "running"}: ${run.title}`;
  at("place").textContent = run.runs > 1 ? `Run ${run.run} of ${run.runs}` : "";
  let said = shown.happened.length ? "bringing the unit to its start state" : "opening the bench";
  if (part) said = words(part.what);
  if (step) said = step.number ? `Step ${step.number} of ${run.steps.length}: ${step.name}` : "Start state";
  at("step").textContent = end ? `Ended: ${end.verdict}` : said;
  at("left").textContent = left(run, part, end, t);
  const unit = [run.bench, run.unit && `unit ${run.unit}`, run.firmware && `firmware ${run.firmware}`];
  at("unit").textContent = unit.filter(Boolean).join(", ");
  const alarm = shown.unsafe ? `OUTPUTS MAY NOT BE SAFE: ${shown.unsafe}. Isolate the drives.` : "";
  if (at("alarm").textContent !== alarm) {
    at("alarm").textContent = alarm;
    at("alarm").className = alarm ? "notice warn" : "";
  }
}

function left(run, part, end, t) {
  if (end) return [end.why, shown.safe].filter(Boolean).join(". ");
  if (run.longest_s === null) return part?.takes_s ? `this part takes ${span(part.takes_s)}` : "";
  const own = Math.max(0, run.longest_s - t);
  return run.later_s ? `at most ${span(own)} left, ${span(own + run.later_s)} in all` : `at most ${span(own)} left`;
}

function rows(list, demands, t, named) {
  while (list.children.length > demands.length) list.lastChild.remove();
  demands.forEach((one, place) => {
    const row = list.children[place] ?? made("li", "", list);
    const text = (named ? `${one.signals.map(words).join(", ")} ` : "") + words(one.text);
    const state = one.verdict || progress(one, t);
    if (row.dataset.said === text + state) return;
    row.dataset.said = text + state;
    row.replaceChildren(document.createTextNode(`${text}: `));
    made("span", `word ${one.verdict}`, row, state);
    if (one.why) made("p", "soft", row, one.why);
  });
}

function progress(one, t) {
  if (shown.end) return "not decided";
  if (one.from > t) return `applies in ${span(one.from - t)}`;
  const parts = [one.state];
  if (one.holds && one.since !== undefined) {
    parts[0] = `holding ${Math.min(one.holds, Math.floor(t - one.since))} of ${one.holds} s`;
  } else if (one.to) parts.push(one.to > t ? `${span(one.to - t)} left` : "being decided");
  return parts.join(", ");
}

function announce(news) {
  const said = (news.findings ?? []).map((one) => `${one.verdict}: ${words(one.text)}`);
  if (news.end) said.push(`${shown.run.title} ended: ${news.end.verdict}`);
  if (said.length) at("announced").textContent = said.join(". ");
}

function verdicts() {
  at("done-part").hidden = at("happened-part").hidden = shown.verdicts.length === 0;
  at("verdicts").replaceChildren();
  for (const run of shown.verdicts.slice().reverse()) {
    const row = made("li", "", at("verdicts"));
    made("b", "", row, `${run.title} `);
    made("span", `word ${run.verdict}`, row, run.verdict || "running");
    if (run.why) made("p", "soft", row, run.why);
    const list = made("ul", "", row);
    const all = run === shown.verdicts.at(-1);
    for (const one of run.findings.filter((found) => all || found.verdict !== "pass")) {
      const line = made("li", "", list);
      made("span", `word ${one.verdict}`, line, one.verdict);
      made("span", "", line, ` ${one.step ? `${one.step}: ` : ""}${words(one.text)}`);
      if (one.why) made("p", "soft", line, one.why);
    }
  }
}

function prompts() {
  const before = new Set();
  for (const box of Array.from(at("prompts").children)) {
    if (shown.prompts[box.dataset.number]) before.add(box.dataset.number);
    else box.remove();
  }
  for (const [number, prompt] of Object.entries(shown.prompts)) if (!before.has(number)) ask(prompt);
}

function ask(prompt) {
  if (!JSON.parse(at("prompts").dataset.for).includes(prompt.who)) {
    const other = made("p", "other", at("prompts"), `${prompt.who} is asked: ${prompt.text}`);
    other.dataset.number = prompt.number;
    return;
  }
  const box = made("form", "prompt", at("prompts"));
  box.dataset.number = prompt.number;
  made("p", "", box, `${prompt.who}: ${prompt.text}`);
  if (prompt.unit) number(prompt, box);
  const choices = made("div", "choices", box);
  for (const choice of prompt.choices) {
    const button = made("button", "", choices, choice);
    button.type = "button";
    button.addEventListener("click", () => send(prompt, choice));
  }
  made("p", "soft", box, "").setAttribute("role", "status");
  navigator.vibrate?.(200);
}

function number(prompt, box) {
  const label = made("label", "", box, `Value in ${prompt.unit}${prompt.resolution ? `, to the nearest ${prompt.resolution}` : ""}`);
  const input = made("input", "", label);
  input.inputMode = "decimal";
  input.autocomplete = "off";
  made("button", "send", box, "Send").type = "submit";
  box.addEventListener("submit", (event) => {
    event.preventDefault();
    if (input.value.trim()) send(prompt, input.value);
  });
}

async function send(prompt, text) {
  tell(prompt.number, "sending");
  const done = await post("/answer", { prompt: prompt.number, who: prompt.who, text });
  if (!done) tell(prompt.number, "Not sent: no connection. Try again.");
}

function tell(number, text) {
  const said = document.querySelector(`.prompt[data-number="${number}"] [role=status]`);
  if (said) said.textContent = text;
}

function campaign() {
  const told = shown.progress;
  at("campaign").hidden = !told;
  if (!told) return;
  at("progress").replaceChildren();
  for (const [what, done, of] of told.rows) {
    const row = made("tr", "", at("progress"));
    const cell = made("td", "", row, what);
    if (of) Object.assign(made("progress", "", cell), { max: of, value: done, ariaLabel: what });
    made("td", "", row, of === undefined ? `${done}` : `${done} of ${of}`);
  }
}

async function post(path, message) {
  try {
    const answer = await fetch(path, { method: "POST", body: JSON.stringify(message) });
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}

function begin() {
  at("stop").addEventListener("click", async () => {
    at("stop").disabled = true;
    const done = await post("/stop", {});
    at("stopped").textContent = done ? "Stopping: wait until the end is shown above." : "Not sent: no connection. Use Ctrl-C at the bench.";
    at("stop").disabled = Boolean(done);
  });
  at("invite").addEventListener("click", async () => {
    const key = await post("/key", {});
    at("code").replaceChildren();
    if (!key) return;
    const code = new DOMParser().parseFromString(key.svg, "image/svg+xml").documentElement;
    code.classList.add("code");
    code.setAttribute("role", "img");
    code.setAttribute("aria-label", "QR code of the address below");
    at("code").append(code);
    made("p", "", at("code"), key.url);
  });
  connect();
  setInterval(watch, 500);
  setInterval(() => { if (shown.run && !shown.over) draw(); }, 250);
}

// A phone that loses its network is told nothing of it: who hears nothing for a while asks again, from where it was.
const SILENT_MS = 5000;
let source = null;
let last = "";
let heard_ms = 0;

function connect() {
  source?.close();
  heard_ms = performance.now();
  source = new EventSource(last ? `/events?after=${last}` : "/events");
  source.onopen = () => { at("link").textContent = "● live"; };
  source.onerror = lost;
  source.addEventListener("beat", () => { heard_ms = performance.now(); });
  source.onmessage = (event) => {
    heard_ms = performance.now();
    last = event.lastEventId;
    const news = JSON.parse(event.data);
    take(news);
    if (news.over) over();
  };
}

function lost() {
  at("link").textContent = "✕ no connection: what is shown is old; trying again";
}

function over() {
  source.close();
  at("link").textContent = "■ the command has ended";
  at("stop").disabled = true;
  at("stopped").textContent = "The command has ended.";
}

function watch() {
  if (shown.over || performance.now() - heard_ms < SILENT_MS) return;
  lost();
  connect();
}
