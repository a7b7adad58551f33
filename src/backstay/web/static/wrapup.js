// After the case: the timeline put right, the report read and signed, and everything to keep.
import { announce, el, labelled, report, show } from "./dom.js";
import { get, send, wordsOf } from "./net.js";
import { shell } from "./shell.js";
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
    let record = await get(`${base}/record`);
    const main = shell(me, { caseId, section: "wrap-up" }, record.title, record.invented);
    const trouble = el("p", { class: "trouble", role: "alert" });
    const timeline = el("ol", { class: "timeline", "aria-label": "Timeline, the latest first" });
    const preview = el("div", { class: "sheet report" });
    const desk = el("div", { class: "signing" });
    const act = async (work) => {
        trouble.textContent = "";
        try {
            await work();
        }
        catch (error) {
            trouble.textContent = wordsOf(error);
        }
    };
    const correct = (event) => {
        const line = el("input", { name: "instead", autocomplete: "off", spellcheck: "false" });
        const reason = el("input", { name: "reason", autocomplete: "off" });
        const sendIt = async (text) => {
            const key = crypto.randomUUID().replaceAll("-", "");
            const said = await send("POST", `${base}/record/corrections`, { key, event: event.id, line: text, reason: reason.value });
            if (!said.written)
                throw new Error(`${said.question}: ${said.choices.map((one) => one.value).join(" | ")}`);
            announce(said.echo);
            await again();
        };
        const form = el("form", {
            onsubmit: (submit) => {
                submit.preventDefault();
                if (line.value.trim())
                    void act(() => sendIt(line.value));
            },
        }, labelled("The line as it should have been", line), el("button", {}, "Stands instead"), labelled("Or why it is taken back", reason), el("button", { type: "button", class: "quiet", onclick: () => void act(() => sendIt("")) }, "Take it back"));
        return el("details", { class: "correct" }, el("summary", { "aria-label": `Correct: ${event.clock} ${event.words}` }, "Correct"), form);
    };
    const draw = () => {
        const rows = record.events.map((one) => {
            const row = el("li", { class: one.kind }, el("time", {}, one.clock), el("span", {}, one.words), el("span", { class: "soft" }, one.role));
            if (me.may_record && !record.signed && !KEPT.includes(one.kind))
                row.append(correct(one));
            return row;
        });
        show(timeline, ...rows);
    };
    const drawReport = (made) => {
        show(preview, report(made.html));
        // Where the workbench has users, nobody signs as somebody else.
        const by = el("input", { name: "by", required: true, autocomplete: "off", readonly: me.with_users, value: me.with_users ? me.name : "" });
        if (!me.may_change)
            return show(desk, el("p", { class: "soft" }, "An operator signs."));
        if (!made.signed) {
            const sure = el("input", { type: "checkbox", required: true, name: "read" });
            const form = el("form", {
                onsubmit: (submit) => {
                    submit.preventDefault();
                    void act(async () => {
                        drawReport(await send("POST", `${base}/report/sign`, { by: by.value, digest: made.digest }));
                        await again();
                    });
                },
            }, labelled("Signed by", by), el("label", { class: "check" }, sure, "read, and as it was"), el("p", { class: "soft note" }, `Report ${made.digest.slice(0, 16)}. Once signed, it can be added to and not changed.`), el("button", {}, "Sign the report"));
            return show(desk, el("h2", {}, "Sign"), form);
        }
        const text = el("textarea", { name: "text", rows: 3, required: true });
        const form = el("form", {
            onsubmit: (submit) => {
                submit.preventDefault();
                void act(async () => drawReport(await send("POST", `${base}/report/addenda`, { by: by.value, text: text.value })));
            },
        }, labelled("Added by", by), labelled("Addendum", text), el("button", {}, "Add to the report"));
        show(desk, el("h2", {}, "Signed"), el("p", {}, `Report ${made.digest.slice(0, 16)} is signed. It can be added to and not changed.`), form);
    };
    const again = async () => {
        record = await get(`${base}/record`);
        draw();
        drawReport(await get(`${base}/report`));
    };
    if (!record.begun) {
        const toRecord = el("a", { href: `/case/${caseId}/procedure` }, "Record the procedure");
        show(main, el("p", { class: "empty" }, "Nothing is recorded of this case yet, so there is no report. "), toRecord);
        return;
    }
    const papers = PAPERS.map(([file, words]) => el("li", {}, el("a", { href: `${base}/report/papers/${file}`, download: "" }, words)));
    show(main, el("div", { class: "after" }, trouble, el("h2", {}, "Timeline"), timeline), el("div", { class: "paper" }, desk, el("h2", {}, "To keep"), el("ul", { class: "papers" }, ...papers), me.may_change ? lesson(base, caseId) : "", preview));
    draw();
    show(preview, el("p", { class: "empty" }, "The report is being made."));
    await act(async () => drawReport(await get(`${base}/report`)));
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
