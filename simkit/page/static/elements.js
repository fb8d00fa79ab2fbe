// Elements of the page and of its drawings, and numbers as they are written in it.

/** An HTML element: `on...` listens, what is no text sets a property, all else an attribute. */
export function make(tag, attributes = {}, ...inside) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (key in node && typeof value !== "string") node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...inside);
  return node;
}

/** An element of an SVG drawing, which has a namespace of its own. */
export function drawn(tag, attributes = {}, parent = null) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  parent?.append(node);
  return node;
}

/** A difference with its sign, by the sign for minus; none where it rounds to nothing. */
export function signed(value, digits = 0) {
  const text = Math.abs(value).toFixed(digits);
  return Number(text) === 0 ? text : `${value < 0 ? "\u2212" : "+"}${text}`;
}

/** Adds a style sheet, once. */
export function styled(name) {
  const href = `static/${name}.css`;
  if (!document.querySelector(`link[href="${href}"]`)) document.head.append(make("link", { rel: "stylesheet", href }));
}
