// What every page of the desk shares: asking the server, speaking to people, making elements.

const key = document.querySelector('meta[name="desk-key"]').content;

/** Something went wrong, in a sentence for people. */
export class Fault extends Error {}

// The token has become a cookie by now; the address bar and the history need not keep it.
if (new URLSearchParams(location.search).has("token")) history.replaceState(history.state, "", location.pathname + location.hash);

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Fault("The desk no longer answers. Start it again in the terminal; this page keeps your work.");
  }
  const said = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Fault(said.fault || `The desk answered with ${answer.status}.`);
  return said;
}

/** Ask for JSON. */
export const get = (path, options = {}) => ask(path, options);

/** Change something: `body` is sent as JSON with this page's key. `options` as for fetch (signal, keepalive). */
export const send = (method, path, body, options = {}) =>
  ask(path, {
    ...options,
    method,
    headers: { "Content-Type": "application/json", "X-Desk-Key": key },
    body: JSON.stringify(body ?? {}),
  });

let hush;

/** Say something: read out by screen readers and shown for a while; with `loud`, as an alert that stays. */
export function say(text, { loud = false } = {}) {
  const place = document.getElementById(loud ? "alert" : "said");
  place.textContent = "";
  clearTimeout(hush);
  document.getElementById("alert").classList.remove("shown");
  requestAnimationFrame(() => {
    place.textContent = text;
    place.classList.toggle("shown", Boolean(text));
  });
  if (!loud) hush = setTimeout(() => place.classList.remove("shown"), 4000);
}

/** Say what went wrong; anything that is no `Fault` is thrown again. */
export function tell(error) {
  if (error.name === "AbortError") return;
  if (!(error instanceof Fault)) throw error;
  say(error.message, { loud: true });
}

/**
 * Make an element. Attributes whose value is null or false are left out, functions listen (`onclick`), `class` and `data-*` as in
 * HTML; children are elements or text, never HTML.
 */
export function make(tag, attributes = {}, ...children) {
  const svg = ["svg", "g", "path", "polygon", "polyline", "circle", "line", "rect", "text", "title", "image"].includes(tag);
  const element = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(name.replace(/^on/, ""), value);
    else if (name === "value") element.value = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}
