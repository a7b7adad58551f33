// Small pieces of a page. Text goes in as text; markup comes from the server's own reports alone.
const policies = globalThis.trustedTypes;
const policy = policies?.createPolicy("backstay", { createHTML: (text) => text }) ?? { createHTML: (text) => text };
/** Make an element: `onclick` and the like are listeners, booleans are attributes that are there or not. */
export function el(name, attributes = {}, ...children) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) {
        if (typeof value === "function")
            made.addEventListener(key.slice(2), value);
        else if (typeof value === "boolean")
            made.toggleAttribute(key, value);
        else
            made.setAttribute(key, String(value));
    }
    made.append(...children);
    return made;
}
/** Put a report of the server's into an element. */
export function fill(into, html) {
    into.innerHTML = policy.createHTML(html);
}
/** Return an element holding a report of the server's. */
export function report(html, style = "") {
    const made = el("div", style ? { class: style } : {});
    fill(made, html);
    return made;
}
/** Replace everything in an element. */
export function show(into, ...children) {
    into.replaceChildren(...children);
}
/** Say something to a screen reader, and nothing to the eye. */
export function announce(text) {
    const place = document.getElementById("said");
    if (place)
        place.textContent = text;
}
let labels = 0;
/** A labelled control, with a note that is read out after its name. */
export function labelled(words, control, note = "") {
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
export function select(choices, chosen) {
    const made = el("select");
    for (const one of choices)
        made.append(el("option", { value: one.value, selected: one.value === chosen }, one.words));
    return made;
}
/** Whether this is a narrow screen, on which pictures take their form for a phone. */
export function isNarrow() {
    return matchMedia("(max-width: 700px)").matches;
}
/** The end of a case's name: two cases of one title differ in it. */
export function shortName(caseId) {
    return el("span", { class: "tag" }, `case ${caseId.split("-").at(-1) ?? caseId}`);
}
