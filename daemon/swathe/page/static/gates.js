// The gates of a set-up as forms: a change acts as soon as it is made, and what is refused stays with
// its reason until it is corrected.

const KEYS = [["start", "Start", true], ["width", "Width", true], ["threshold", "Threshold", true], ["measure", "Measure", false], ["polarity", "Polarity", false], ["after", "After", false]];

function element(name, properties = {}, ...children) {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...children);
  return made;
}

export class GateForms {
  #place; #act; #forms = [];

  /**
   * @param place the element that holds the forms.
   * @param act sends a command and returns its reply.
   */
  constructor(place, act) {
    this.#place = place;
    this.#act = act;
  }

  /** Show the gates of a state; fields that are being edited or were refused stay as they are. */
  update({ gates, choices, locked, gauge }) {
    const names = gates.map((gate) => gate.name).join("\n");
    if (this.#place.dataset.names !== names) {
      this.#place.dataset.names = names;
      this.#forms = gates.map((gate, k) => this.#form(gate, k + 1, choices));
      this.#place.replaceChildren(...this.#forms.map((form) => form.root));
    }
    gates.forEach((gate, k) => {
      const form = this.#forms[k];
      for (const [key, field] of form.fields) {
        field.row.classList.toggle("changed", gate.changed.includes(key));
        field.input.disabled = Boolean(locked);
        for (const button of field.buttons) button.disabled = Boolean(locked);
        const busy = document.activeElement === field.input && field.input.tagName === "INPUT";
        if (!busy && field.input.getAttribute("aria-invalid") !== "true") field.input.value = gate.values[key];
      }
      const seen = gauge.ascan?.gates[k];
      form.echo.textContent = !seen ? "" : seen.time !== null
        ? `echo at ${seen.time.toFixed(3)} µs, ${seen.amplitude.toFixed(0)} %${seen.problem ? `: ${seen.problem}` : ""}` : seen.problem;
    });
  }

  /** Forget what was typed and refused. */
  clear() {
    for (const form of this.#forms) {
      form.wrong.textContent = "";
      for (const [, field] of form.fields) field.input.setAttribute("aria-invalid", "false");
    }
  }

  #form(gate, number, choices) {
    const wrong = element("p", { className: "wrong", role: "alert", id: `wrong-${number}` });
    const echo = element("p", { className: "echo" });
    const fields = new Map();
    const root = element("fieldset", { className: "gate-form" }, element("legend", { textContent: `${number} ${gate.name}` }));
    for (const [key, label, typed] of KEYS) {
      const id = `gate-${number}-${key}`;
      const buttons = [];
      let input;
      if (typed) {
        input = element("input", { id, type: "text", autocomplete: "off", spellcheck: false });
      } else {
        input = element("select", { id }, ...choices[key].filter((one) => key !== "after" || one !== gate.name).map((one) => element("option", { value: one, textContent: one.replace("_", " ") })));
      }
      input.setAttribute("aria-describedby", wrong.id);
      const send = async (command) => {
        const reply = await this.#act({ gate: gate.name, key, ...command });
        const refused = reply.accepted === false;
        input.setAttribute("aria-invalid", String(refused && command.action === "change"));
        wrong.textContent = refused ? reply.detail : "";
        if (!refused && command.action === "change") input.blur();
      };
      input.addEventListener("change", () => send({ action: "change", value: input.value.trim() }));
      let holder = input;
      if (typed) {
        for (const [sign, direction, what] of [["−", -1, "lower"], ["+", 1, "raise"]]) {
          const button = element("button", { type: "button", textContent: sign });
          button.setAttribute("aria-label", `${what} ${label.toLowerCase()} of ${gate.name}`);
          button.addEventListener("click", () => send({ action: "step", direction }));
          buttons.push(button);
        }
        holder = element("div", { className: "stepper" }, buttons[0], input, buttons[1]);
      }
      const row = element("div", { className: "field" }, element("label", { htmlFor: id, textContent: label }), holder);
      fields.set(key, { row, input, buttons });
      root.append(row);
    }
    root.append(echo, wrong);
    return { root, fields, wrong, echo };
  }
}
