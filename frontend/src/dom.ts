// Small pieces of a page. Text goes in as text; markup comes from the server's own reports alone.

export type Child = Node | string;
type Value = string | number | boolean | ((event: Event) => void);

interface Policy {
  createHTML(text: string): string;
}

interface Policies {
  createPolicy(name: string, rules: { createHTML(text: string): string }): Policy;
}

const policies = (globalThis as { trustedTypes?: Policies }).trustedTypes;
const policy: Policy = policies?.createPolicy("backstay", { createHTML: (text) => text }) ?? { createHTML: (text) => text };

/** Make an element: `onclick` and the like are listeners, booleans are attributes that are there or not. */
export function el<K extends keyof HTMLElementTagNameMap>(
  name: K,
  attributes: Readonly<Record<string, Value>> = {},
  ...children: readonly Child[]
): HTMLElementTagNameMap[K] {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (typeof value === "function") made.addEventListener(key.slice(2), value);
    else if (typeof value === "boolean") made.toggleAttribute(key, value);
    else made.setAttribute(key, String(value));
  }
  made.append(...children);
  return made;
}

/** Put a report of the server's into an element. */
export function fill(into: Element, html: string): void {
  into.innerHTML = policy.createHTML(html);
}

/** Return an element holding a report of the server's. */
export function report(html: string, style = ""): HTMLElement {
  const made = el("div", style ? { class: style } : {});
  fill(made, html);
  return made;
}

/** Replace everything in an element. */
export function show(into: Element, ...children: readonly Child[]): void {
  into.replaceChildren(...children);
}

/** Say something to a screen reader, and nothing to the eye. */
export function announce(text: string): void {
  const place = document.getElementById("said");
  if (place) place.textContent = text;
}

let labels = 0;

/** A labelled control, with a note that is read out after its name. */
export function labelled(words: string, control: HTMLElement, note = ""): HTMLElement {
  labels += 1;
  control.id ||= `field-${labels}`;
  const field = el("div", { class: "field" }, el("label", { for: control.id }, words), control);
  if (note) {
    const said = el("span", { class: "soft note", id: `${control.id}-note` }, note);
    control.setAttribute("aria-describedby", said.id);
    field.append(said);
  }
  return field;
}

export function select(choices: readonly { words: string; value: string }[], chosen: string): HTMLSelectElement {
  const made = el("select");
  for (const one of choices) made.append(el("option", { value: one.value, selected: one.value === chosen }, one.words));
  return made;
}

/** Whether this is a narrow screen, on which pictures take their form for a phone. */
export function isNarrow(): boolean {
  return matchMedia("(max-width: 700px)").matches;
}

/** The end of a case's name: two cases of one title differ in it. */
export function shortName(caseId: string): HTMLElement {
  return el("span", { class: "tag" }, `case ${caseId.split("-").at(-1) ?? caseId}`);
}
