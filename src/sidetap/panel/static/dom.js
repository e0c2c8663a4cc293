// Small helpers to build and update the page. Texts go in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

/** Return a new element; attributes by name, children elements or texts. */
export function make(name, attributes = {}, ...children) {
  return fill(document.createElement(name), attributes, children);
}

export function makeSvg(name, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, name), attributes, children);
}

function fill(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

/** A key: a real button with room for a gloved finger; disabled, it does nothing however it is pressed. */
export function key(text, press, attributes = {}) {
  const button = make("button", { type: "button", ...attributes }, text);
  button.addEventListener("click", () => button.disabled || press());
  return button;
}

/** Change a text only when it differs: a screen reader repeats what is written again. */
export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Set an attribute only when it differs: what is set again is painted again. */
export function set(element, name, value) {
  if (element.getAttribute(name) !== String(value)) element.setAttribute(name, value);
}

export function show(element, yes) {
  if (element.hidden === yes) element.hidden = !yes;
}

export function enable(button, yes) {
  if (button.disabled === yes) button.disabled = !yes;
}

/** Write a value that may be unknown: dashes under hatching then. */
export function writeValue(element, text, known, dash) {
  write(element, known ? text : dash);
  element.classList.toggle("hatched", !known);
}

/** Write "11 ft 5 in" with its digits large and its units small. */
export function writeLevel(element, text) {
  if (element.dataset.text === text) return;
  element.dataset.text = text;
  const parts = text.match(/[^A-Za-z%]+|[A-Za-z%]+/g) ?? [];
  element.replaceChildren(
    ...parts.map((part) => make("span", { class: /[A-Za-z%]/.test(part) ? "unit" : "digits" }, part.trim())),
  );
}
