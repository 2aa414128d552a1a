// Sends commands and shows the station's replies: in a message over the page, and at the buttons.

const $ = (id) => document.getElementById(id);
const SHOWN_MS = 9000;

/** The name last given in this browser; empty if none. */
export const myName = () => localStorage.getItem("swathe-by") ?? "";
export function keepName(name) {
  localStorage.setItem("swathe-by", name);
  document.dispatchEvent(new Event("name"));
}

/** An id for a command; a page without TLS has no `crypto.randomUUID`. */
export function newId() {
  return [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
}

/**
 * Send one command and return the reply: whether it was accepted (null: no reply), and its text.
 * @param timeout ms after which a reply is not waited for any more.
 */
export async function post(command, timeout = 10_000) {
  try {
    const answer = await fetch("/command", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(command),
      priority: "high",
      signal: AbortSignal.timeout(timeout),
    });
    const reply = await answer.json();
    if (!answer.ok) return { accepted: false, detail: reply.error ?? String(answer.status) };
    return { accepted: reply.accepted, detail: reply.detail };
  } catch {
    return { accepted: null, detail: "no reply: check the run before you try again" };
  }
}

/** Send commands one after the other, show the replies, and return whether all were accepted. */
export async function send(commands) {
  showMessage(`Sending: ${commands[0].command} …`);
  const refused = [];
  let last = null;
  for (const command of commands) {
    last = await post({ id: newId(), ...command });
    if (!last.accepted) refused.push(last);
    if (last.accepted === null) break;
  }
  const several = commands.length > 1 ? `${commands.length - refused.length} of ${commands.length}: ` : "";
  showReply(refused[0] ?? last, several);
  return refused.length === 0;
}

export function showReply({ accepted, detail }, before = "") {
  const verdict = accepted === null ? "" : accepted ? "Accepted: " : "Refused: ";
  const text = verdict + before + detail.replace(/^refused: /, "");
  showMessage(`${accepted ? "✓" : "✕"} ${text}`, !accepted);
}

let timer = 0;

/** Show a message about a command. */
export function showMessage(text, bad = false) {
  $("reply").textContent = text;
  const toast = $("toast");
  toast.textContent = text;
  toast.hidden = false;
  toast.classList.toggle("bad", bad);
  clearTimeout(timer);
  timer = setTimeout(() => { toast.hidden = true; }, bad ? 2 * SHOWN_MS : SHOWN_MS);
}
