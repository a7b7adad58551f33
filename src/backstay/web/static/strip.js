// The path strip on a page: its picture, and the device moved along it.
import { el, fill, show } from "./dom.js";
/** The path strip, with the device moved along it by slider, by keyboard, or by dragging on the picture. */
export class Strip {
    at;
    failed;
    whole;
    picture = el("div", { class: "strip" });
    slider = el("input", { type: "range", min: 0, max: 1, step: 1, "aria-label": "Place of the device's tip" });
    rows = el("dl", { class: "here" });
    wanted = null;
    shown = 0;
    busy = false;
    round = 0;
    from = 0;
    to = 1;
    /** `at` asks for a place; `failed` hears why none came, or of null once one has. */
    constructor(at, failed) {
        this.at = at;
        this.failed = failed;
        this.slider.addEventListener("input", () => this.want(Number(this.slider.value)));
        this.picture.addEventListener("pointerdown", (event) => {
            this.picture.setPointerCapture(event.pointerId);
            this.drag(event);
        });
        this.picture.addEventListener("pointermove", (event) => {
            if (event.buttons)
                this.drag(event);
        });
        this.whole = el("section", { class: "moving", "aria-label": "Path strip" }, this.picture, this.slider, el("p", { class: "soft note" }, "Drag on the picture, or use the slider's arrow keys, to move the device along its way."), this.rows);
        this.whole.hidden = true;
    }
    /** Forget what was asked for another rig. */
    abandon() {
        this.round += 1;
        this.wanted = null;
        this.busy = false;
    }
    draw(place) {
        this.whole.hidden = false;
        this.from = place.from_share;
        this.to = place.to_share;
        fill(this.picture, place.strip);
        this.slider.max = String(place.steps - 1);
        this.slider.value = String(place.step);
        this.shown = place.step;
        this.slider.setAttribute("aria-valuetext", place.words);
        this.slider.style.marginLeft = `${100 * place.from_share}%`;
        this.slider.style.width = `${100 * (place.to_share - place.from_share)}%`;
        show(this.rows, ...place.rows.map((row) => el("div", {}, el("dt", {}, row.name), el("dd", {}, row.words))));
        document.documentElement.dataset["step"] = String(place.step);
    }
    drag(event) {
        const box = this.picture.getBoundingClientRect();
        const share = ((event.clientX - box.left) / box.width - this.from) / (this.to - this.from);
        const last = Number(this.slider.max);
        this.want(Math.min(Math.max(Math.round(share * last), 0), last));
    }
    /** Ask for a place; while one is under way only the last wish is kept. */
    want(step) {
        this.wanted = step;
        if (!this.busy)
            void this.next();
    }
    async next() {
        const round = this.round;
        this.busy = true;
        while (this.wanted !== null && round === this.round) {
            const step = this.wanted;
            this.wanted = null;
            try {
                const place = await this.at(step);
                if (round !== this.round)
                    return;
                this.draw(place);
                this.failed(null);
            }
            catch (error) {
                if (round !== this.round)
                    return;
                // The handle goes back to where the numbers are of.
                if (this.wanted === null)
                    this.slider.value = String(this.shown);
                this.failed(error);
            }
        }
        if (round === this.round)
            this.busy = false;
    }
}
