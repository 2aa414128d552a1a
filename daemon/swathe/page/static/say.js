// What the station is told from here. Nothing is sent without a second step.

const $ = (id) => document.getElementById(id);

const SAYINGS = {
  "next line": { title: "Go on with the next line?", text: "What comes from now on belongs to the next line.", yes: "Next line" },
  line: { title: "Go on with another line?", text: "What comes from now on belongs to that line.", yes: "Go to this line" },
  note: { title: "A note for the survey", text: "It is kept with the time in the survey's journal.", yes: "Keep the note" },
  stop: { title: "Stop the run?", text: "The survey is kept and can be gone on with. This ends the recording; it stops no crawler and is no emergency stop.", yes: "Stop the run" },
};

export class Say {
  #board; #what = null;

  constructor(board) {
    this.#board = board;
    for (const button of document.querySelectorAll("[data-say]")) {
      button.addEventListener("click", () => this.#ask(button.dataset.say));
    }
    board.on("plan", (plan) => {
      for (const button of document.querySelectorAll("[data-stepped]")) button.hidden = !plan.stepped;
    });
    board.on("contact", () => {
      for (const button of document.querySelectorAll("[data-say]")) button.disabled = !board.contact.alive;
    });
    $("ask").addEventListener("close", () => this.#answered());
  }

  #ask(what) {
    this.#what = what;
    const { title, text, yes } = SAYINGS[what];
    $("ask-title").textContent = title;
    $("ask-text").textContent = text;
    $("ask-yes").textContent = yes;
    $("ask-line-row").hidden = what !== "line";
    $("ask-note-row").hidden = what !== "note";
    const { plan, progress } = this.#board;
    $("ask-line").value = String((progress?.line ?? -1) + 1);
    $("ask-line").max = String((plan?.index?.cells ?? 1) - 1);
    $("ask-note").value = "";
    $("ask-by").value = localStorage.getItem("swathe-by") ?? "";
    $("ask").returnValue = "no";
    $("ask").showModal();
  }

  #answered() {
    if ($("ask").returnValue !== "yes") return;
    const by = $("ask-by").value.trim() || "page";
    localStorage.setItem("swathe-by", $("ask-by").value.trim());
    const command = { command: this.#what, id: newId(), by };
    if (this.#what === "line") command.line = Math.max(0, Math.floor(Number($("ask-line").value)));
    if (this.#what === "note") command.text = $("ask-note").value.trim();
    if (this.#what === "note" && !command.text) return this.#tell("Nothing noted: the note was empty.");
    this.#send(command);
  }

  async #send(command) {
    this.#tell(`Told: ${command.command} …`);
    try {
      const answer = await fetch("/command", {
        method: "POST",
        headers: { "content-type": "application/json" },
        body: JSON.stringify(command),
      });
      const said = await answer.json();
      if (!answer.ok) this.#tell(`✕ Refused: ${said.error ?? answer.status}`);
      else this.#tell(`${said.accepted ? "✓ The station says" : "✕ The station says"}: ${said.detail}`);
    } catch {
      this.#tell("✕ No answer came: look at the run before you try again.");
    }
  }

  #tell(text) {
    $("reply").textContent = text;
  }
}

/** An id for a command; a page without TLS has no `crypto.randomUUID`. */
function newId() {
  return [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
}
