// The button that changes between the device's own colours, light ones and dark ones.
const NAMES = [["", "Theme: auto"], ["light", "Theme: light"], ["dark", "Theme: dark"]];
const KEPT = "swathe-theme";

/** Apply the theme that was chosen here last, and let a button choose the next one; `onDark` gets whether it is dark. */
export function connectTheme(button, onDark = () => {}) {
  const darkDevice = matchMedia("(prefers-color-scheme: dark)");
  const kept = localStorage.getItem(KEPT) ?? "";
  let at = Math.max(0, NAMES.findIndex(([name]) => name === kept));
  const apply = () => {
    const [name, text] = NAMES[at];
    if (name) document.documentElement.dataset.theme = name;
    else delete document.documentElement.dataset.theme;
    button.textContent = text;
    onDark(name ? name === "dark" : darkDevice.matches);
  };
  button.addEventListener("click", () => {
    at = (at + 1) % NAMES.length;
    localStorage.setItem(KEPT, NAMES[at][0]);
    apply();
  });
  darkDevice.addEventListener("change", apply);
  apply();
}
