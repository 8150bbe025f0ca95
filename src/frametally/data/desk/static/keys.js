// Keys of a page: what is typed into a field is never taken for one.

const typing = (target) => target.isContentEditable || (/^(input|select|textarea)$/i.test(target.tagName) && !/^(checkbox|radio|button|range)$/.test(target.type));

/** Give the name of a key press: "ctrl+shift+z", "shift+arrowleft", "enter", "?". Command counts as ctrl. */
export function nameOf(event) {
  const key = event.key === " " ? "space" : event.key.toLowerCase();
  const shift = event.shiftKey && key.length > 1; // a shifted sign is another sign already
  const ctrl = event.ctrlKey || event.metaKey;
  return [ctrl && "ctrl", event.altKey && "alt", (shift || (ctrl && event.shiftKey)) && "shift", key].filter(Boolean).join("+");
}

/** Call `actions[name](event)` for keys pressed outside fields; what an action does not answer with `false` is done with. */
export function onKeys(actions, { inside = document } = {}) {
  inside.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.isComposing || typing(event.target) || document.querySelector("dialog[open]")) return;
    const action = actions[nameOf(event)];
    if (action && action(event) !== false) event.preventDefault();
  });
}

/** Fill a dialog with a list of keys and open it: rows are [keys, meaning]. */
export function listKeys(dialog, rows) {
  const list = dialog.querySelector("dl");
  list.replaceChildren();
  for (const [keys, meaning] of rows) {
    const term = document.createElement("dt");
    for (const key of keys.split(" ")) term.append(Object.assign(document.createElement("kbd"), { textContent: key }), " ");
    list.append(term, Object.assign(document.createElement("dd"), { textContent: meaning }));
  }
  dialog.showModal();
}
