// Day or night: what the system prefers until the button is used; that is remembered.

import { put } from "./elements.js";
import { coloursChanged } from "./colours.js";
import { kept, keep } from "./memory.js";

const dark = matchMedia("(prefers-color-scheme: dark)");

export function themeButton(button) {
  function show() {
    const theme = kept("theme") ?? (dark.matches ? "dark" : "light");
    document.documentElement.dataset.theme = theme;
    put(button, theme === "dark" ? "Day colours" : "Night colours");
    coloursChanged();
  }

  function turn() {
    keep("theme", document.documentElement.dataset.theme === "dark" ? "light" : "dark");
    show();
  }

  dark.addEventListener("change", show);
  button.addEventListener("click", turn);
  show();
  return turn;
}
