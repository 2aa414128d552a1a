// All stations of a broker: receives the rows that changed once a second, and draws a card for each.
import { loginFromAddress, showLogin } from "./login.js";
import { connectTheme } from "./theme_button.js";

// A beat comes each second.
const SILENCE_MS = 3500;
const RETRY_MS = 1000;
// What has to be looked at comes first, where that is chosen.
const RANKS = { lost: 0, alarm: 1, work: 2, ended: 3 };
const $ = (id) => document.getElementById(id);

const rows = new Map(), cards = new Map();
let broker = null, source = null, received = performance.now();

const element = (name, text, kind = "") => {
  const made = document.createElement(name);
  made.textContent = text;
  if (kind) made.className = kind;
  return made;
};

function card(row) {
  const made = document.createElement("li");
  made.className = `card ${row.kind}`;
  const title = element("h2", `${row.name} `);
  title.append(element("span", row.state));
  made.append(title);
  if (row.part) made.append(element("p", row.part, "faint"));
  made.append(...row.lost.map((text) => element("p", text, "lost-text")));
  if (row.covered !== null) {
    const bar = document.createElement("progress");
    bar.max = 100;
    bar.value = row.covered;
    bar.setAttribute("aria-label", "measured");
    made.append(bar);
  }
  made.append(element("p", row.coverage));
  made.append(...row.lines.map((text) => element("p", text)));
  made.append(...row.alarms.map((text) => element("p", `⚠ ${text}`, "alarm-text")));
  if (row.more_alarms) made.append(element("p", `${row.more_alarms} more alarms`, "alarm-text"));
  made.append(element("p", row.received, "faint"));
  return made;
}

function order() {
  const first = $("first").getAttribute("aria-pressed") === "true";
  const rank = (name) => (first ? RANKS[rows.get(name).kind] : 0);
  const names = [...rows.keys()].sort((a, b) => rank(a) - rank(b) || (a < b ? -1 : 1));
  names.forEach((name, at) => {
    const there = $("stations").children[at];
    if (there !== cards.get(name)) $("stations").insertBefore(cards.get(name), there ?? null);
  });
}

function take(topic, contents) {
  if (topic === "broker") broker = contents;
  else if (topic === "summary") $("summary").textContent = contents;
  else if (topic.startsWith("station/")) {
    const name = topic.slice("station/".length), before = cards.get(name);
    rows.delete(name);
    cards.delete(name);
    if (contents === null) return before?.remove();
    rows.set(name, contents);
    cards.set(name, card(contents));
    before?.replaceWith(cards.get(name));
  }
}

function show() {
  const old = performance.now() - received > SILENCE_MS;
  const away = broker !== null && !broker.connected;
  $("board").classList.toggle("old", old || away);
  if (broker) $("broker").textContent = `broker ${broker.address}: ${broker.state}`;
  const text = old ? "No connection to the watcher: what is shown is old"
    : away ? `Broker ${broker.state} since ${broker.since}${broker.detail ? `: ${broker.detail}` : ""}. What is shown is as of then.` : "";
  if ($("banner").textContent !== text) $("banner").textContent = text;
  document.body.classList.toggle("lost", Boolean(text));
}

function open() {
  source?.close();
  const own = (source = new EventSource("/events"));
  let first = true;
  own.addEventListener("messages", (event) => {
    if (own !== source) return;
    received = performance.now();
    const pairs = JSON.parse(event.data);
    if (first) {
      const there = new Set(pairs.map(([topic]) => topic));
      for (const name of [...rows.keys()]) if (!there.has(`station/${name}`)) take(`station/${name}`, null);
      first = false;
    }
    for (const [topic, contents] of pairs) take(topic, contents);
    order();
    show();
  });
  own.onerror = async () => {
    if (own !== source || own.readyState !== EventSource.CLOSED) return;
    try {
      // An event source does not report the status of a refused connection; another request does.
      const answer = await fetch("/events", { signal: AbortSignal.timeout(2000) });
      if (answer.status === 401) return showLogin(open);
      answer.body?.cancel();
    } catch {
      // No connection: the next attempt shows.
    }
    setTimeout(open, RETRY_MS);
  };
}

$("first").addEventListener("click", () => {
  $("first").setAttribute("aria-pressed", String($("first").getAttribute("aria-pressed") !== "true"));
  order();
});
connectTheme($("theme"));
// A browser keeps the connections of pages in its history; six of them leave none for another.
addEventListener("pagehide", () => source.close());
addEventListener("pageshow", (event) => { if (event.persisted) open(); });
setInterval(show, 300);
await loginFromAddress();
open();
