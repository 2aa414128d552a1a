// Commands to the station, and its answers: shown where the eye is, and kept beside the buttons.

const $ = (id) => document.getElementById(id);
const SHOWN_MS = 9000;

/** Who speaks from this browser, as was said last; empty before. */
export const myName = () => localStorage.getItem("swathe-by") ?? "";
export const keepName = (name) => localStorage.setItem("swathe-by", name);

/** An id for a command; a page without TLS has no `crypto.randomUUID`. */
export function newId() {
  return [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
}

/**
 * Send one command and return the answer: whether it was taken (null: nobody answered), and words.
 * @param patience ms after which an answer is not waited for any more.
 */
export async function post(command, patience = 10_000) {
  try {
    const answer = await fetch("/command", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(command),
      priority: "high",
      signal: AbortSignal.timeout(patience),
    });
    const said = await answer.json();
    if (!answer.ok) return { accepted: false, detail: said.error ?? String(answer.status) };
    return { accepted: said.accepted, detail: said.detail };
  } catch {
    return { accepted: null, detail: "no answer came: look at the run before you try again" };
  }
}

/** Send commands one after the other, tell the answers, and return whether all were taken. */
export async function send(commands) {
  tell(`Told: ${commands[0].command} …`);
  const refused = [];
  let last = null;
  for (const command of commands) {
    last = await post({ id: newId(), ...command });
    if (!last.accepted) refused.push(last);
    if (last.accepted === null) break;
  }
  const several = commands.length > 1 ? `${commands.length - refused.length} of ${commands.length}: ` : "";
  tellAnswer(refused[0] ?? last, several);
  return refused.length === 0;
}

export function tellAnswer({ accepted, detail }, before = "") {
  const who = accepted === null ? "" : accepted ? "The station says: " : "The station says no: ";
  const text = who + before + detail.replace(/^refused: /, "");
  tell(`${accepted ? "✓" : "✕"} ${text}`, !accepted);
}

let timer = 0;

/** Show what the station answered. */
export function tell(text, bad = false) {
  $("reply").textContent = text;
  const toast = $("toast");
  toast.textContent = text;
  toast.hidden = false;
  toast.classList.toggle("bad", bad);
  clearTimeout(timer);
  timer = setTimeout(() => { toast.hidden = true; }, bad ? 2 * SHOWN_MS : SHOWN_MS);
}
