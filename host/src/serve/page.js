"use strict";
// Parts of a page with `data-live` are replaced by those of the same id in an answer.
// Scroll, focus and what is typed stay.

const POLL_MS = 2000;
const TYPED_MS = 300;
/** Where the plot of a chart lies in its picture: left and right edge, width of all. */
const PLOT = { left: 54, right: 446, width: 560 };

let version = document.querySelector("meta[name=version]").content;
let turn = 0;

function say(words) {
  const status = document.getElementById("status");
  if (status.textContent !== words) status.textContent = words;
}

/** What has the focus, in words that find it again in the new part. */
function focused() {
  const element = document.activeElement;
  if (!element || !element.closest("[data-live]")) return null;
  if (element.id) return `#${CSS.escape(element.id)}`;
  if (element.dataset.key) return `[data-key="${CSS.escape(element.dataset.key)}"]`;
  const href = element.getAttribute("href");
  return href ? `[href="${CSS.escape(href)}"]` : null;
}

/** Puts the parts of the page at `address` in place of ours. Only the newest asking counts. */
async function show(address) {
  const mine = ++turn;
  document.body.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(address, { cache: "no-store" });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (mine !== turn) return false;
    if (!answer.ok) {
      say(page.getElementById("words")?.textContent ?? "The server has no answer to that.");
      return false;
    }
    const focus = focused();
    const { scrollX, scrollY } = window;
    for (const old of document.querySelectorAll("[data-live]")) {
      const fresh = page.getElementById(old.id);
      if (fresh && old.isConnected) old.replaceWith(document.adoptNode(fresh));
    }
    if (page.title) document.title = page.title;
    const found = page.querySelector("meta[name=version]");
    if (found) version = found.content;
    if (focus) document.querySelector(focus)?.focus({ preventScroll: true });
    window.scrollTo(scrollX, scrollY);
    say("");
    return true;
  } catch {
    if (mine === turn) say("The server does not answer: what is shown may be old.");
    return false;
  } finally {
    if (mine === turn) document.body.removeAttribute("aria-busy");
  }
}

/** Another stretch of the same bank. */
async function zoom(address) {
  const to = new URL(address, location.href);
  history.pushState(null, "", to);
  await show(`/charts${to.search}`);
}

/** What a form asks for, without what is empty. */
function asked(form) {
  const asks = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (value !== "") asks.append(name, value);
  const query = asks.toString();
  return form.getAttribute("action") + (query ? `?${query}` : "");
}

document.addEventListener("click", (event) => {
  const way = event.target.closest?.("a[data-key][href]");
  if (!way || event.button !== 0 || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
  event.preventDefault();
  zoom(way.href);
});

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
  if (event.target.closest?.("input, select, textarea, .wide")) return;
  const key = event.key === "=" ? "+" : event.key === "_" ? "-" : event.key;
  const way = document.querySelector(`a[data-key="${CSS.escape(key)}"][href]`);
  if (!way) return;
  event.preventDefault();
  zoom(way.href);
});

document.addEventListener("submit", (event) => {
  event.preventDefault();
  const address = asked(event.target);
  if (event.target.id === "stretch") zoom(address);
  else filter(address);
});

function filter(address) {
  history.replaceState(null, "", address);
  show(address);
}

// What is typed counts once typing pauses, a moment once it is there as a whole.
let typed = 0;
for (const kind of ["input", "change"]) {
  document.addEventListener(kind, (event) => {
    const form = event.target.closest("#filter");
    if (!form || (event.target.type === "search") !== (kind === "input")) return;
    clearTimeout(typed);
    typed = setTimeout(() => filter(asked(form)), TYPED_MS);
  });
}

addEventListener("popstate", () => show(location.href));

// A stretch that is drawn over with the mouse.
let drawn = null;

/** A chart over time under the pointer, and how far along its plot. */
function along(event, picture) {
  const box = picture.getBoundingClientRect();
  const x = ((event.clientX - box.left) / box.width) * PLOT.width;
  return Math.min(1, Math.max(0, (x - PLOT.left) / (PLOT.right - PLOT.left)));
}

document.addEventListener("pointerdown", (event) => {
  const picture = event.target.closest?.("#charts figure svg");
  if (!picture || event.button !== 0 || event.pointerType !== "mouse") return;
  if (![...picture.querySelectorAll(".unit")].some((unit) => unit.textContent === "UTC")) return;
  event.preventDefault();
  const shade = document.createElement("div");
  shade.className = "drawn";
  picture.parentElement.append(shade);
  drawn = { picture, shade, from: along(event, picture), to: along(event, picture) };
});

document.addEventListener("pointermove", (event) => {
  if (!drawn) return;
  drawn.to = along(event, drawn.picture);
  const at = (part) => ((PLOT.left + part * (PLOT.right - PLOT.left)) / PLOT.width) * 100;
  const [left, right] = [drawn.from, drawn.to].sort((a, b) => a - b).map(at);
  drawn.shade.style.left = `${left}%`;
  drawn.shade.style.width = `${right - left}%`;
});

document.addEventListener("pointerup", () => {
  if (!drawn) return;
  const { shade, from, to } = drawn;
  drawn = null;
  shade.remove();
  if (Math.abs(to - from) < 0.01) return;
  const { bank, from: begin, to: end } = document.getElementById("charts").dataset;
  const moment = (part) => {
    const ms = Number(begin) + part * (Number(end) - Number(begin));
    return encodeURIComponent(new Date(ms).toISOString().slice(0, 19));
  };
  zoom(`${bank}&from=${moment(Math.min(from, to))}&to=${moment(Math.max(from, to))}`);
});

async function look() {
  if (document.hidden || document.body.hasAttribute("aria-busy")) return;
  try {
    const answer = await fetch("/version", { cache: "no-store" });
    if (!answer.ok) return say("The server does not let this page in any more: load it again.");
    const now = await answer.json();
    if (now.trouble) say(`What is shown is what was read last. The store cannot be read now: ${now.trouble}.`);
    else if (now.version !== version && (await show(location.href))) {
      const time = new Date().toISOString().slice(11, 19);
      say(`New data shown at ${time} UTC.`);
    } else if (now.reading) say("New data are being read.");
  } catch {
    say("The server does not answer: what is shown may be old.");
  }
}

setInterval(look, POLL_MS);
document.addEventListener("visibilitychange", look);
