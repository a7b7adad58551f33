// The vessel: as it was understood, and its lesions and branches in a table.
import { announce, el, labelled, report, select, show } from "./dom.js";
import { get, send, wordsOf } from "./net.js";
import { shell } from "./shell.js";
export async function vessel(me, caseId) {
    const path = `/api/cases/${caseId}/vessel`;
    let view = await get(path);
    const main = shell(me, { caseId, section: "vessel" }, view.title, view.invented);
    const trouble = el("p", { class: "trouble", role: "alert" });
    const facts = el("dl", { class: "facts" });
    const warnings = el("ul", { class: "not" });
    const picture = el("figure", { class: "measured" });
    const lesionRows = el("tbody");
    const branchRows = el("tbody");
    let lesions = [];
    let branches = [];
    const draw = () => {
        show(facts, ...view.rows.flatMap((row) => [el("dt", {}, row.name), el("dd", {}, row.words)]));
        show(warnings, ...view.warnings.map((one) => el("li", {}, one)));
        show(picture, report(view.picture));
        lesions = view.lesions.map((one) => lesionLine(view, one, () => drop(lesions, lesionRows)));
        branches = view.branches.map((one) => branchLine(view, one, () => drop(branches, branchRows)));
        show(lesionRows, ...lesions.map((one) => one.element));
        show(branchRows, ...branches.map((one) => one.element));
        if (me.may_change)
            return;
        for (const body of [lesionRows, branchRows]) {
            for (const one of body.querySelectorAll("input, select, button"))
                one.disabled = true;
        }
    };
    /** Forget the rows that were taken out of a table. */
    const drop = (lines, body) => {
        const left = lines.filter((one) => body.contains(one.element));
        lines.splice(0, lines.length, ...left);
    };
    const save = async () => {
        trouble.textContent = "";
        try {
            view = await send("PUT", path, { read: view.read, lesions: lesions.map((one) => one.read()), branches: branches.map((one) => one.read()) });
            draw();
            announce("Kept in the case file");
        }
        catch (error) {
            trouble.textContent = wordsOf(error);
        }
    };
    const loaded = (found) => {
        view = found.vessel;
        draw();
        announce(found.notes.join(" "));
    };
    const middle = Math.round(view.length_mm / 2);
    const newLesion = { row: null, from_mm: middle - 5, to_mm: middle + 5, calcium: "moderate", prepared: [], dissected: false, opened_fully: false };
    const newBranch = { row: null, name: "branch", at_mm: middle, diameter_mm: 2, angle_deg: 60 };
    const add = (lines, body, line) => {
        lines.push(line);
        body.append(line.element);
        line.element.querySelector("input")?.focus();
    };
    const form = el("form", {
        onsubmit: (event) => {
            event.preventDefault();
            void save();
        },
    }, el("h2", {}, "Lesions"), table(["from, mm", "to, mm", "calcium", "last prepared with", "dissected", "opened fully in two views", ""], lesionRows), el("h2", {}, "Branches"), table(["name", "at, mm", "diameter, mm", "angle, deg", ""], branchRows), trouble);
    if (me.may_change) {
        const quiet = (words, act) => el("button", { type: "button", class: "quiet", onclick: act }, words);
        form.append(el("div", { class: "line" }, quiet("Another lesion", () => add(lesions, lesionRows, lesionLine(view, newLesion, () => drop(lesions, lesionRows)))), quiet("Another branch", () => add(branches, branchRows, branchLine(view, newBranch, () => drop(branches, branchRows)))), el("button", {}, "Keep in the case file")));
    }
    show(main, el("section", { "aria-label": "The vessel as understood" }, el("h2", {}, "As understood"), facts, warnings, me.may_change ? another(path, loaded) : ""), el("section", { "aria-label": "Lesions and branches" }, picture, form));
    draw();
}
/** Another vessel for this case, from a path file or a sketch. */
function another(path, loaded) {
    const said = el("div", { role: "status" });
    const file = el("input", { type: "file", accept: ".csv,text/csv" });
    const sketch = el("textarea", { rows: 3, spellcheck: "false" });
    const load = async (what, text) => {
        show(said, el("p", { class: "soft" }, "Loading"));
        try {
            const found = await send("PUT", `${path}/${what}`, { text });
            show(said, el("ul", { class: "kept" }, ...found.notes.map((one) => el("li", {}, one))));
            loaded(found);
        }
        catch (error) {
            show(said, el("p", { class: "trouble", role: "alert" }, wordsOf(error)));
        }
    };
    file.addEventListener("change", () => {
        const [chosen] = file.files ?? [];
        if (chosen)
            void chosen.text().then(async (text) => load("path", text));
    });
    const form = el("form", {
        onsubmit: (event) => {
            event.preventDefault();
            if (sketch.value.trim())
                void load("sketch", sketch.value);
        },
    }, labelled("Path file (CSV)", file, "lesions, branches and target stay where they are"), labelled("Or a sketch, segment by segment", sketch, "as 25 mm 3.4 | 22 mm 2.9 tight 1.2 severe | 40 mm 2.5; its lesions take the place of the case's"), el("button", {}, "Load the sketch"));
    return el("details", {}, el("summary", {}, "Another vessel for this case"), form, said);
}
function table(heads, body) {
    const top = el("tr", {}, ...heads.map((one) => (one ? el("th", { scope: "col" }, one) : el("td"))));
    return el("div", { class: "scroll", tabindex: 0, role: "group", "aria-label": "scrolls sideways" }, el("table", { class: "edit" }, el("thead", {}, top), body));
}
function row(name, cells, gone) {
    const made = el("tr");
    for (const [words, control] of cells) {
        control.setAttribute("aria-label", `${name}: ${words}`);
        made.append(el("td", {}, control));
    }
    const out = () => {
        made.remove();
        gone();
    };
    made.append(el("td", {}, el("button", { type: "button", class: "quiet", onclick: out, "aria-label": `Take out ${name}` }, "Take out")));
    return made;
}
function place(value, view) {
    return el("input", { type: "number", value, min: 0, max: Math.floor(view.length_mm), step: "any", required: true });
}
function lesionLine(view, one, gone) {
    const from = place(one.from_mm, view);
    const to = place(one.to_mm, view);
    const calcium = select(view.calcium, one.calcium);
    const before = one.prepared ?? [];
    const last = before[before.length - 1] ?? "";
    const prepared = select([{ words: "nothing", value: "" }, ...view.preparations], last);
    const dissected = el("input", { type: "checkbox", checked: one.dissected ?? false });
    const opened = el("input", { type: "checkbox", checked: one.opened_fully ?? false });
    const name = `lesion from ${one.from_mm} mm`;
    const cells = [["from, mm", from], ["to, mm", to], ["calcium", calcium], ["last prepared with", prepared], ["dissected", dissected], ["opened fully in two views", opened]];
    return {
        element: row(name, cells, gone),
        read: () => ({
            row: one.row ?? null,
            from_mm: from.valueAsNumber,
            to_mm: to.valueAsNumber,
            calcium: calcium.value,
            prepared: prepared.value === last ? before : [...before, prepared.value].filter(Boolean),
            dissected: dissected.checked,
            opened_fully: opened.checked,
        }),
    };
}
function branchLine(view, one, gone) {
    const name = el("input", { value: one.name, required: true });
    const at = place(one.at_mm, view);
    const diameter = el("input", { type: "number", value: one.diameter_mm, min: 0.3, max: 6, step: "any", required: true });
    const angle = el("input", { type: "number", value: one.angle_deg, min: 5, max: 175, step: "any", required: true });
    const cells = [["name", name], ["at, mm", at], ["diameter, mm", diameter], ["angle, deg", angle]];
    return {
        element: row(one.name, cells, gone),
        read: () => ({ row: one.row ?? null, name: name.value, at_mm: at.valueAsNumber, diameter_mm: diameter.valueAsNumber, angle_deg: angle.valueAsNumber }),
    };
}
