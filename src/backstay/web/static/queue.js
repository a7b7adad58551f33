// Lines on their way to the record. A line stays here until the server has it on its disk; sent again after a cut, its
// key keeps it from being written twice. The lines outlive a closed page.
import { Refused, Unreachable, send } from "./net.js";
const PAUSES_MS = [500, 1_000, 2_000, 4_000];
export class Queue {
    caseId;
    hears;
    name;
    sending = false;
    failures = 0;
    timer = 0;
    constructor(caseId, hears) {
        this.caseId = caseId;
        this.hears = hears;
        this.name = `backstay-lines-${caseId}`;
        addEventListener("online", () => this.now());
        this.now();
    }
    say(line) {
        this.add(line, false);
    }
    undo() {
        this.add("undo", true);
    }
    /** Try now, as when the line is up again. */
    now() {
        clearTimeout(this.timer);
        this.failures = 0;
        void this.flush();
    }
    add(line, undo) {
        const key = crypto.randomUUID().replaceAll("-", "");
        this.keep([...this.kept(), { key, line, said_at: new Date().toISOString(), undo }]);
        void this.flush();
    }
    kept() {
        try {
            return JSON.parse(localStorage.getItem(this.name) ?? "[]");
        }
        catch {
            return [];
        }
    }
    keep(lines) {
        localStorage.setItem(this.name, JSON.stringify(lines));
    }
    async flush() {
        if (this.sending)
            return;
        this.sending = true;
        for (let first = this.kept()[0]; first; first = this.kept()[0]) {
            const { key, line, said_at, undo } = first;
            const path = `/api/cases/${this.caseId}/record/${undo ? "undo" : "lines"}`;
            try {
                const said = await send("POST", path, undo ? { key } : { key, line, said_at });
                this.drop(key);
                this.hears.wrote(line, said);
            }
            catch (error) {
                if (error instanceof Unreachable || (error instanceof Refused && (error.status >= 500 || error.status === 401))) {
                    this.later();
                    break;
                }
                this.drop(key);
                this.hears.refused(line, error);
            }
            this.failures = 0;
        }
        this.sending = false;
        this.hears.waits(this.kept().map((one) => one.line), this.failures === 0);
    }
    drop(key) {
        this.keep(this.kept().filter((one) => one.key !== key));
    }
    later() {
        const pause = PAUSES_MS[Math.min(this.failures, PAUSES_MS.length - 1)] ?? 4_000;
        this.failures += 1;
        clearTimeout(this.timer);
        this.timer = setTimeout(() => void this.flush(), pause);
    }
}
