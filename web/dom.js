// Elements found and made in code: the pages' common tools.

/** The element of that id. */
export const byId = (id) => document.getElementById(id);

/** An element with properties (attributes where it has no such property) and children. */
export function make(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(properties)) {
    if (key in node) node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...children);
  return node;
}

/** A line of a form: a label beside what it names. */
export function field(id, label, ...children) {
  return make("div", { className: "field" }, make("label", { htmlFor: id }, label), ...children);
}
