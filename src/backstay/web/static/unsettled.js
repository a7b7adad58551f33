// What was typed and is not in the record: unclear lines with their choices, refused ones with the reason. The oldest stands
// open, and numbers settle that one; the others take one row each.
import { el, show } from "./dom.js";
const MOST_CHOICES = 9;
export class Unsettled {
    does;
    whole = el("div", { class: "open", role: "group", "aria-label": "To be settled" });
    first;
    constructor(does) {
        this.does = does;
    }
    draw(lines) {
        const unclear = lines.filter((one) => one.asks);
        this.first = unclear[0];
        show(this.whole, ...unclear.map((one) => (one === this.first ? this.openOne(one) : this.folded(one))), ...lines.filter((one) => one.refused !== undefined).map((one) => this.refused(one)));
    }
    /** Settle the oldest by the number of a choice; returns whether there was one. */
    pick(number) {
        const choice = this.first?.asks?.choices.slice(0, MOST_CHOICES)[Number(number) - 1];
        if (!this.first || !choice)
            return false;
        this.does.pick(this.first, choice);
        return true;
    }
    openOne(one) {
        return el("div", { class: "question" }, el("p", { class: "trouble" }, said(one)), ...this.choices(one, true));
    }
    folded(one) {
        return el("details", { class: "question" }, el("summary", { class: "trouble" }, said(one)), ...this.choices(one, false));
    }
    choices(one, isNumbered) {
        const rows = (one.asks?.choices ?? []).slice(0, MOST_CHOICES).map((choice, n) => {
            const number = isNumbered ? [el("kbd", {}, String(n + 1)), " "] : [];
            return el("button", { type: "button", class: "pick", onclick: () => this.does.pick(one, choice) }, ...number, choice.words);
        });
        return [...rows, el("button", { type: "button", class: "pick quiet", onclick: () => this.does.letBe(one) }, "Let it be")];
    }
    refused(one) {
        const seen = el("button", { type: "button", class: "pick quiet", onclick: () => this.does.letBe(one) }, "Seen");
        return el("div", { class: "question refused" }, el("p", { class: "trouble", role: "alert" }, `Not written: ${one.line}. ${one.refused}`), seen);
    }
}
function said(one) {
    return `Not written yet: ${one.line}. ${one.asks?.question ?? ""}`;
}
