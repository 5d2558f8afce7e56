// isTyping says whether somebody has changed a field of a form, or is in one: a
// refresh waits then.
export function isTyping(main) {
  for (const field of main.querySelectorAll("input, textarea, select")) {
    if (isChanged(field)) return true;
    if (field === document.activeElement && field.matches("textarea, input:not([type=checkbox], [type=radio])")) return true;
  }
  return false;
}

// isChanged compares a field with what the page gave it.
export function isChanged(field) {
  if (field.type === "hidden") return false;
  if (field.type === "checkbox" || field.type === "radio") return field.checked !== field.defaultChecked;
  if (field.type === "file") return field.files.length > 0;
  if (field instanceof HTMLSelectElement) {
    const options = [...field.options];
    // Without a default the browser itself chooses the first.
    if (!options.some((o) => o.defaultSelected)) return !field.multiple && field.selectedIndex > 0;
    return options.some((o) => o.selected !== o.defaultSelected);
  }
  return field.value !== field.defaultValue;
}
