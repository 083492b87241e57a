// The options of a list to choose from; it is touched only where they change.

import { put } from "../shared/elements.js";

// *options* are [value, words]; the value that is chosen stays so where it is among them.
export function fillOptions(select, options) {
  const fresh = JSON.stringify(options);
  if (select.dataset.options === fresh) return;
  const { value } = select;
  select.dataset.options = fresh;
  select.replaceChildren(...options.map(([each, words]) => {
    const option = document.createElement("option");
    option.value = each;
    put(option, words);
    return option;
  }));
  if (options.some(([each]) => each === value)) select.value = value;
}
