// The recorder's page: the keyboard first. A line is an event; u takes the last back; . and a letter end an attempt.
import { announce, el, fill, show } from "./dom.js";
import { clockWords, get, orLater } from "./net.js";
import { authorOf, Queue, waitForOthers } from "./queue.js";
import { shell } from "./shell.js";
import { follow } from "./stream.js";
import { Unsettled } from "./unsettled.js";
/** No line begins with either. */
const UNDO_KEY = "-";
const ATTEMPT_KEY = ".";
/** What a choice ends with that has to be typed to its end. */
const OPEN_END = "…";
export async function procedure(me, caseId) {
    const base = `/api/cases/${caseId}`;
    let view = await get(`${base}/record`);
    const main = shell(me, { caseId, section: "procedure" }, view.title, view.invented);
    const timeline = el("ol", { class: "timeline", "aria-label": "What stands, the latest first" });
    const echo = el("div", { class: "echo", role: "status", "aria-live": "polite" });
    const link = el("p", { class: "link", role: "status" });
    const picks = el("div", { class: "picks", role: "group", "aria-label": "How the attempt ended" });
    const room = el("div", { class: "room-view", "aria-label": "What the room sees", role: "region" });
    const line = el("input", {
        class: "typed",
        name: "line",
        autocomplete: "off",
        autocapitalize: "off",
        spellcheck: "false",
        enterkeyhint: "send",
        "aria-label": "A line for the record",
        "aria-describedby": "keys",
    });
    let ends = [];
    let completing = null;
    let written = [...view.written];
    let asks = 0;
    /** Offer the ends of an attempt, each by its letter, or nothing. */
    const offer = (choices) => {
        ends = choices;
        const question = `How did the attempt with the ${view.attempt_with} end?`;
        const rows = choices.map((one) => el("button", { type: "button", class: "pick", onclick: () => end(one) }, el("kbd", {}, one.words.slice(0, 1)), one.words.slice(1)));
        show(picks, ...(rows.length ? [el("p", {}, question), ...rows] : []));
        if (rows.length)
            announce(`${question} ${choices.map((one) => one.words).join(", ")}`);
    };
    const end = (one) => {
        offer([]);
        queue?.say(one.value);
        line.focus();
    };
    const unsettled = new Unsettled({
        pick: (one, choice) => {
            // A choice that leaves something open is typed to its end: no number stands in the record that nobody said.
            if (choice.value.endsWith(OPEN_END)) {
                completing = { line: one, begins: choice.value.slice(0, -OPEN_END.length).trim() };
                line.value = `${completing.begins} `;
                show(echo, el("p", {}, `To be typed to its end: ${choice.words}`));
            }
            else
                queue?.settle(one, choice.value);
            line.focus();
        },
        letBe: (one) => {
            queue?.letBe(one);
            show(echo, el("p", {}, `Not written: ${one.line}`));
            line.focus();
        },
    });
    const author = authorOf(me);
    const left = waitForOthers(caseId, author);
    const others = left.length ? `Typed here by somebody else, and not sent: ${left.join(" | ")}. It goes when they enter again.` : "";
    const queue = me.may_record ? new Queue(caseId, author, {
        wrote: (waiting, said) => {
            if (!said.written) {
                show(echo);
                return announce(said.question);
            }
            if ("event" in waiting)
                written = written.filter((id) => id !== waiting.event);
            if (said.stands)
                written = [waiting.key, ...written];
            show(echo, el("p", {}, said.echo), ...said.hazards.map((one) => el("p", { class: "hazard" }, one)));
        },
        // What a line before this one said is not left beside it.
        refused: (words) => show(echo, el("p", {}, `Not written: ${words}`)),
        waits: (lines, why, waiting) => {
            const many = lines.length === 1 ? "1 line waits" : `${lines.length} lines wait`;
            const own = lines.length ? `${many}${why ? `: ${why}` : ""}. Nothing is lost; each keeps its time. ${lines.join(" | ")}` : "";
            link.textContent = [own, others, clockWords()].filter(Boolean).join(" ");
            unsettled.draw(waiting);
        },
    }) : null;
    const undo = () => {
        const said = queue?.undo(written);
        if (said)
            show(echo, el("p", {}, said));
        line.focus();
    };
    const enter = () => {
        const text = line.value.trim();
        line.value = "";
        offer([]);
        const toEnd = completing && text.startsWith(completing.begins) ? completing.line : null;
        completing = null;
        if (toEnd)
            queue?.settle(toEnd, text);
        else if (/^\d+$/.test(text) && unsettled.pick(text))
            return;
        else if (text === "undo" || text === UNDO_KEY)
            undo();
        else if (text)
            queue?.say(text);
    };
    line.addEventListener("keydown", (event) => {
        if (event.ctrlKey || event.metaKey || event.altKey)
            return;
        // A key that is held down acts once.
        if (event.repeat && !line.value)
            return event.preventDefault();
        if (event.key === "Enter") {
            event.preventDefault();
            enter();
        }
        else if (event.key === "Escape") {
            offer([]);
        }
        else if (!line.value) {
            const chosen = ends.find((one) => one.words.startsWith(`${event.key} `));
            if (chosen)
                end(chosen);
            else if (event.key === UNDO_KEY)
                undo();
            else if (event.key === ATTEMPT_KEY)
                offer(view.attempt);
            else
                return;
            event.preventDefault();
        }
    });
    link.textContent = [others, clockWords()].filter(Boolean).join(" ");
    const draw = () => {
        show(timeline, ...view.events.map((one) => el("li", { class: one.kind }, el("time", {}, one.clock), el("span", {}, one.words), el("span", { class: "soft" }, one.role))));
        const may = me.may_record && !view.signed;
        for (const one of [line, ...acts.querySelectorAll("button"), ...write.querySelectorAll("button")])
            one.disabled = !may;
        const why = view.signed ? ["The report is signed: nothing more is recorded. ", toWrapUp] : ["A reader looks on; a recorder or an operator writes."];
        show(signed, ...(may ? [] : why));
        if (!may)
            offer([]);
        if (!view.events.length)
            show(timeline, el("li", { class: "empty" }, "Nothing recorded yet. The first line begins the record."));
        fill(room, view.room);
    };
    const again = async () => {
        const asked = ++asks;
        const found = await get(`${base}/record`);
        if (asked !== asks)
            return; // a later answer is on its way, or was faster
        view = found;
        written = [...view.written];
        draw();
    };
    const toWrapUp = el("a", { href: `/case/${caseId}/wrap-up` }, "Add to it on Wrap-up");
    const signed = el("p", { class: "signed", role: "status" });
    const keys = el("p", { class: "soft note", id: "keys" }, "Enter writes the line. On an empty line: ", el("kbd", {}, UNDO_KEY), " takes the last back, ", el("kbd", {}, ATTEMPT_KEY), " and a letter ends an attempt. A number and Enter settle the oldest unclear line.");
    const acts = el("div", { class: "acts" }, el("button", { type: "button", onclick: undo }, "Take the last back"), el("button", { type: "button", onclick: () => (offer(view.attempt), line.focus()) }, "An attempt ended"));
    const examples = el("details", {}, el("summary", {}, "Lines, by example"), el("ul", { class: "examples" }, ...view.examples.map((one) => el("li", {}, el("code", {}, one)))));
    const write = el("form", {
        class: "write",
        onsubmit: (event) => {
            event.preventDefault();
            enter();
        },
    }, line, el("button", {}, "Write"));
    show(main, el("div", { class: "recorder" }, signed, write, keys, acts, picks, echo, unsettled.whole, link, timeline, examples), room);
    draw();
    line.focus();
    follow(caseId, {
        record: () => orLater(again()),
        room: (data) => fill(room, String(data["html"])),
    }, (up) => {
        main.classList.toggle("cut-off", !up);
        if (up)
            queue?.now();
    });
}
