// After the case: the timeline put right, the report read and signed, and everything to keep.
import { announce, el, labelled, show } from "./dom.js";
import { get, orLater, send, wordsOf } from "./net.js";
import { shell } from "./shell.js";
import { Signing } from "./signing.js";
import { follow } from "./stream.js";
const PAPERS = [
    ["report.pdf", "PDF"],
    ["report.html", "Page"],
    ["report.txt", "Plain text"],
    ["report.json", "Data (JSON)"],
    ["report.fhir.json", "FHIR bundle"],
    ["report.dcm", "DICOM"],
];
const KEPT = ["opened", "signed", "addendum", "correction"];
export async function wrapUp(me, caseId) {
    const base = `/api/cases/${caseId}`;
    const first = await get(`${base}/record`);
    const main = shell(me, { caseId, section: "wrap-up" }, first.title, first.invented);
    const trouble = el("p", { class: "trouble", role: "alert" });
    const act = async (work) => {
        trouble.textContent = "";
        try {
            await work();
        }
        catch (error) {
            trouble.textContent = wordsOf(error);
        }
    };
    if (!first.begun) {
        const toRecord = el("a", { href: `/case/${caseId}/procedure` }, "Record the procedure");
        show(main, el("p", { class: "empty" }, "Nothing is recorded of this case yet, so there is no report. "), toRecord);
        follow(caseId, { record: () => orLater(begin()) }, () => undefined);
        return;
    }
    const signing = new Signing(me, caseId, base, act, () => again());
    const timeline = new Timeline(me, base, act, () => again());
    let rounds = 0;
    let isDue = true;
    /** Ask for what stands, and for the report where it may be another; of several rounds under way the last counts. */
    const again = async () => {
        const round = ++rounds;
        const record = await get(`${base}/record`);
        if (round !== rounds)
            return;
        const changes = timeline.draw(record);
        if (changes.length)
            signing.moving(changes);
        isDue ||= changes.length > 0;
        if (!isDue)
            return;
        const made = await get(`${base}/report`);
        if (round !== rounds)
            return;
        signing.draw(made);
        isDue = false;
    };
    const papers = PAPERS.map(([file, words]) => el("li", {}, el("a", { href: `${base}/report/papers/${file}`, download: "" }, words)));
    show(main, el("div", { class: "after" }, trouble, el("h2", {}, "Timeline"), timeline.whole), el("div", { class: "paper" }, signing.desk, el("h2", {}, "To keep"), el("ul", { class: "papers" }, ...papers), me.may_change ? lesson(base, caseId) : "", signing.preview));
    timeline.draw(first);
    const weighed = () => {
        isDue = true; // the report holds the attempts against the plan
        void act(again);
    };
    void act(again);
    follow(caseId, { record: () => void act(again), rested: weighed }, (up) => {
        main.classList.toggle("cut-off", !up);
        signing.live(up);
    });
    async function begin() {
        if ((await get(`${base}/record`)).begun)
            location.reload();
    }
}
/** What stands, the latest first, each to be put right. A form that is open stays open while the record moves on. */
class Timeline {
    me;
    base;
    act;
    again;
    whole = el("ol", { class: "timeline", "aria-label": "Timeline, the latest first" });
    shown = new Map();
    constructor(me, base, act, again) {
        this.me = me;
        this.base = base;
        this.act = act;
        this.again = again;
    }
    /** Draw what stands; returns what has come and gone since the last time, in words. */
    draw(record) {
        const before = this.shown;
        this.shown = new Map(record.events.map((one) => {
            const words = `${one.clock} ${one.words}`;
            const may = this.me.may_record && !record.signed && !KEPT.includes(one.kind);
            const name = `${one.id} ${words} ${may}`;
            return [name, before.get(name) ?? { words, row: this.row(one, may) }];
        }));
        show(this.whole, ...[...this.shown.values()].map((one) => one.row));
        if (!before.size)
            return [];
        const come = [...this.shown].filter(([name]) => !before.has(name)).map(([, one]) => `new: ${one.words}`);
        const gone = [...before].filter(([name]) => !this.shown.has(name)).map(([, one]) => `gone: ${one.words}`);
        return [...come.reverse(), ...gone];
    }
    row(one, may) {
        const row = el("li", { class: one.kind }, el("time", {}, one.clock), el("span", {}, one.words), el("span", { class: "soft" }, one.role));
        if (may)
            row.append(this.correct(one));
        return row;
    }
    correct(event) {
        const line = el("input", { name: "instead", autocomplete: "off", spellcheck: "false" });
        const reason = el("input", { name: "reason", autocomplete: "off" });
        const sendIt = async (text) => {
            const key = crypto.randomUUID().replaceAll("-", "");
            const said = await send("POST", `${this.base}/record/corrections`, { key, event: event.id, line: text, reason: reason.value });
            if (!said.written)
                throw new Error(`${said.question}: ${said.choices.map((one) => one.value).join(" | ")}`);
            announce(said.echo);
            await this.again();
        };
        const form = el("form", {
            onsubmit: (submit) => {
                submit.preventDefault();
                if (line.value.trim())
                    void this.act(() => sendIt(line.value));
            },
        }, labelled("The line as it should have been", line), el("button", {}, "Stands instead"), labelled("Or why it is taken back", reason), el("button", { type: "button", class: "quiet", onclick: () => void this.act(() => sendIt("")) }, "Take it back"));
        return el("details", { class: "correct" }, el("summary", { "aria-label": `Correct: ${event.clock} ${event.words}` }, "Correct"), form);
    }
}
/** The case as a lesson: made when asked for, given once it holds no identifier. */
function lesson(base, caseId) {
    const body = el("div", { role: "status" });
    let waits = false;
    const look = async () => {
        try {
            const found = await get(`${base}/lesson`);
            waits = !found.ready && !found.problem;
            if (found.problem)
                return show(body, el("p", { class: "trouble", role: "alert" }, found.problem));
            if (!found.ready)
                return show(body, el("p", { class: "soft" }, "The lesson is being made (a minute or two)."));
            const texts = found.to_read.map((one) => el("li", {}, one));
            show(body, el("p", {}, `${found.decisions} decisions as questions; ${found.removed} identifiers taken out.`), el("p", {}, "Read these texts before it is handed out:"), el("ul", {}, ...(texts.length ? texts : [el("li", { class: "soft" }, "none")])), el("a", { href: `${base}/lesson/page`, download: "" }, "Teaching case (HTML)"));
        }
        catch (error) {
            show(body, el("p", { class: "trouble", role: "alert" }, wordsOf(error)));
        }
    };
    const told = (data) => {
        if (waits)
            show(body, el("p", { class: "soft" }, String(data["doing"])), el("progress", { max: 1, value: Number(data["share"]), "aria-label": "lesson made" }));
    };
    let follows = false;
    const begin = () => {
        if (!follows)
            follow(caseId, { made: () => void (waits && look()), progress: told }, () => undefined);
        follows = true;
        void look();
    };
    const make = el("button", { type: "button", class: "quiet", onclick: begin }, "Make a teaching case");
    return el("section", { "aria-label": "Teaching case" }, el("h2", {}, "Teaching case"), make, body);
}
