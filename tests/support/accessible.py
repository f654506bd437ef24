"""What keeps people from reading a page: looked for in the browser, by our own rules after WCAG 2.2, level AA."""

from __future__ import annotations

THEMES = ("light", "dark")

_RULES = r"""
const found = [];
const say = (rule, node, more = "") => {
  const name = node ? `<${node.tagName.toLowerCase()}${node.id ? "#" + node.id : ""}>` : "";
  const at = node ? `${name} ${(node.textContent || "").trim().slice(0, 40)}` : "";
  found.push(`${rule}: ${at} ${more}`.trim());
};
const all = (what, within = document) => Array.from(within.querySelectorAll(what));
for (const details of all("details")) details.open = true;
const shown = (node) => node.checkVisibility({ visibilityProperty: true });
const text = (node) => (node.textContent || "").trim();
const named = (node) => {
  const by = (node.getAttribute("aria-labelledby") || "").split(/\s+/).filter(Boolean);
  const label = by.map((id) => document.getElementById(id)).map((one) => (one ? text(one) : "")).join(" ");
  const own = ["aria-label", "title", "alt"].map((name) => node.getAttribute(name));
  return own[0] || label.trim() || own[1] || own[2] || "";
};

// 2.4.2, 3.1.1, 1.3.1: a title, a language, one main part, one first heading and no level left out.
if (!document.title.trim()) say("no title");
if (!document.documentElement.lang) say("no language");
if (all("main").length !== 1) say("not one main part");
if (all("h1").length !== 1) say("not one h1");
let level = 0;
for (const heading of all("h1, h2, h3, h4, h5, h6").filter(shown)) {
  const its = Number(heading.tagName[1]);
  if (its > level + 1) say("heading level left out", heading);
  if (!text(heading)) say("empty heading", heading);
  level = its;
}

// Ids are unique, and what is referred to is there.
const ids = all("[id]").map((node) => node.id);
for (const id of new Set(ids.filter((one, place) => ids.indexOf(one) !== place))) say("id twice", null, id);
const known = new Set(ids);
for (const name of ["aria-labelledby", "aria-describedby", "for", "aria-controls"])
  for (const node of all(`[${name}]`))
    for (const id of node.getAttribute(name).split(/\s+/)) if (!known.has(id)) say(`${name} leads nowhere`, node, id);
for (const link of all('a[href^="#"]')) {
  const id = decodeURIComponent(link.getAttribute("href").slice(1));
  if (id && !known.has(id)) say("link leads nowhere", link, id);
}

// 1.1.1, 4.1.2: pictures, controls and links have names.
for (const picture of all("svg, img, [role=img]").filter(shown)) {
  if (picture.closest("[aria-hidden=true]") || picture.parentElement.closest("svg, [role=img]")) continue;
  const title = picture.querySelector(":scope > title");
  if (!named(picture) && !(title && text(title))) say("picture without a name", picture);
}
for (const control of all("a[href], button, summary, input, select, textarea").filter(shown)) {
  const label = control.labels && control.labels.length ? text(control.labels[0]) : "";
  if (!text(control) && !named(control) && !label) say("control without a name", control);
}

// 1.3.1: tables have a name, their headings a scope, and something in them.
for (const table of all("table").filter(shown)) {
  const caption = table.querySelector(":scope > caption");
  const group = table.parentElement.getAttribute("role") === "group" ? named(table.parentElement) : "";
  if (!(caption && text(caption)) && !named(table) && !group) say("table without a name", table);
  if (!all("td", table).length) say("empty table", table);
  for (const head of all("th", table)) {
    if (!head.getAttribute("scope")) say("heading cell without scope", head);
    if (!text(head) && !named(head)) say("empty heading cell", table);
  }
}
for (const box of all("section, ul, ol, dl, figure, details, .scroll, tbody").filter(shown)) {
  const summary = box.tagName === "DETAILS" ? text(box.querySelector(":scope > summary") || box) : "";
  if (text(box) === summary && !box.querySelector("svg, img, input")) say("empty box", box);
}

// 1.4.3: text stands out from what is behind it.
const colour = (value) => {
  const parts = (value.match(/[\d.]+/g) || []).map(Number);
  const scale = value.startsWith("color(") ? 255 : 1;
  const [r, g, b, a = 1] = parts;
  return parts.length < 3 ? [0, 0, 0, 0] : [r * scale, g * scale, b * scale, a];
};
const over = (top, below) => [0, 1, 2].map((k) => top[k] * top[3] + below[k] * (1 - top[3])).concat(1);
const behind = (node) => {
  const layers = [];
  for (let one = node; one; one = one.parentElement) {
    const layer = colour(getComputedStyle(one).backgroundColor);
    if (layer[3] > 0) layers.push(layer);
    if (layer[3] === 1) break;
  }
  const canvas = matchMedia("(prefers-color-scheme: dark)").matches ? [18, 18, 18, 1] : [255, 255, 255, 1];
  return layers.reverse().reduce((ground, layer) => over(layer, ground), canvas);
};
const linear = (part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4);
const luminance = (one) => {
  const [r, g, b] = one.slice(0, 3).map((part) => linear(part / 255));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const ratio = (one, other) => {
  const [low, high] = [luminance(one), luminance(other)].sort((a, b) => a - b);
  return (high + 0.05) / (low + 0.05);
};
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const told = new Set();
while (walker.nextNode()) {
  const node = walker.currentNode.parentElement;
  const silent = ["STYLE", "SCRIPT", "TITLE", "DESC"].includes(node.tagName.toUpperCase());
  if (silent || !walker.currentNode.data.trim() || !shown(node)) continue;
  const style = getComputedStyle(node);
  const ground = behind(node);
  const ink = over(colour(node instanceof SVGElement ? style.fill : style.color), ground);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  const contrast = ratio(ink, ground);
  const kind = `${node.tagName}.${node.className.baseVal ?? node.className}`;
  if (contrast < (large ? 3 : 4.5) && !told.has(kind)) {
    told.add(kind);
    say("low contrast", node, contrast.toFixed(2));
  }
}

// 1.4.10, 2.1.1: nothing is wider than the page; what scrolls can be reached by keys.
const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
if (wide > 0) say("page wider than the screen", null, `by ${wide} px`);
for (const box of all("body *").filter(shown)) {
  const may = ["auto", "scroll"].includes(getComputedStyle(box).overflowX);
  if (!may || box.scrollWidth <= box.clientWidth + 1) continue;
  // A picture is described in words as well, and Chromium's keys reach whatever scrolls.
  const reached = box.tabIndex >= 0 || box.querySelector("a[href], button, input, summary") || box.tagName === "FIGURE";
  if (!reached) say("scrolls, and keys do not reach it", box);
  if (box.tabIndex >= 0 && !named(box)) say("scrolls, and has no name", box);
}

// 2.4.7: what has the focus shows it; 2.5.8: it is large enough to be hit.
for (const one of all("a[href], button, summary, input, [tabindex='0']").filter(shown).slice(0, 60)) {
  one.focus({ focusVisible: true });
  const style = getComputedStyle(one);
  if (document.activeElement !== one) say("cannot have the focus", one);
  else if (style.outlineStyle === "none" || parseFloat(style.outlineWidth) < 2) say("focus is not seen", one);
  const inline = one.tagName === "A" || one.hasAttribute("tabindex");
  if (!inline && one.getBoundingClientRect().height < 24) say("too small to be hit", one);
}
return found;
"""


def barriers(browser):
    """Return what keeps people from reading the page that the browser shows, one sentence each; details are opened."""
    browser.execute_cdp_cmd("Emulation.setFocusEmulationEnabled", {"enabled": True})
    return browser.execute_script(_RULES)


def themed(browser, theme):
    """Show pages as on a light or a dark screen."""
    features = [{"name": "prefers-color-scheme", "value": theme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
