// Lines on their way to the record. A line stays here until the server has it on its disk, an unclear one until it is
// settled, a refused one until it is seen; sent again after a cut, its key keeps it from being written twice. The lines outlive a closed page: each page
// keeps its own, under a name it holds a lock on, and takes over those of the same author whose lock nobody holds any more.
import { Refused, Unreachable, plainWordsOf, send, timeNow } from "./net.js";
/** Whose lines they are: each author's wait apart. */
export function authorOf(me) {
    return `${me.role} ${me.name}`;
}
/** Return the lines of a case that wait in this browser for other authors: they are sent when those come back. */
export function waitForOthers(caseId, author) {
    const own = prefix(caseId, author);
    return wordsIn(caseId, (name) => !name.startsWith(own));
}
/** Return what an author typed into any page of this browser and is not in the record. */
export function notWritten(caseId, author) {
    const own = prefix(caseId, author);
    return wordsIn(caseId, (name) => name.startsWith(own));
}
function wordsIn(caseId, which) {
    const names = Object.keys(localStorage).filter((name) => name.startsWith(`backstay-lines-${caseId}/`) && which(name));
    return names.flatMap((name) => read(name).map(wordsFor));
}
function wordsFor(one) {
    return "line" in one ? one.line : TO_TAKE_BACK;
}
function prefix(caseId, author) {
    return `backstay-lines-${caseId}/${encodeURIComponent(author)}/`;
}
const TO_TAKE_BACK = "to take back";
const PAUSES_MS = [500, 1_000, 2_000, 4_000];
const PATIENCE_MS = 6_000;
/** A line that takes longer than this is seen to wait. */
const UNSEEN_MS = 700;
export class Queue {
    caseId;
    hears;
    ofAuthor;
    name;
    sending = false;
    failures = 0;
    why = "";
    timer = 0;
    writtenAt = "";
    constructor(caseId, author, hears) {
        this.caseId = caseId;
        this.hears = hears;
        this.ofAuthor = prefix(caseId, author);
        this.name = this.ofAuthor + key();
        void navigator.locks.request(this.name, () => new Promise(() => undefined));
        addEventListener("online", () => this.now());
        this.now();
    }
    say(line) {
        this.add({ key: key(), line, said_at: timeNow().toISOString() });
    }
    /** Let an unclear line be what was chosen: it keeps its key and the time it was typed. One that is gone is said anew. */
    settle(unclear, line) {
        if (!this.kept().some((one) => one.key === unclear.key))
            return this.say(line);
        this.keep(this.kept().map((one) => (one.key === unclear.key ? { key: one.key, line, said_at: unclear.said_at } : one)));
        void this.flush();
    }
    /** Write nothing of an unclear line, or have seen a refused one. */
    letBe(unclear) {
        this.drop(unclear.key);
        this.tell();
    }
    /** Take back what was said last: what is not sent yet is not sent, what is written is taken back by its name.
     *
     * `written` are the events that can be taken back, the last written first. Returns what became of it, in words, where
     * nothing has to be sent. */
    undo(written) {
        const kept = this.kept();
        const going = new Set(kept.flatMap((one) => ("event" in one ? [one.event] : [])));
        const isLast = (one) => !going.has(one.key) && (!one.refused || one.said_at > this.writtenAt);
        const last = kept.filter((one) => "line" in one && isLast(one)).at(-1);
        if (last && !last.sent) {
            this.letBe(last);
            return `Not written: ${last.line}`;
        }
        const event = last?.key ?? written.find((one) => !going.has(one));
        if (!event)
            return "Nothing stands that could be taken back.";
        this.add({ key: key(), event });
        return "";
    }
    /** Try now, as when the line is up again. */
    now() {
        clearTimeout(this.timer);
        this.failures = 0;
        this.why = "";
        void this.adopt().then(() => this.flush());
    }
    /** Take over the lines of the author's pages that are gone. */
    async adopt() {
        for (const name of Object.keys(localStorage)) {
            if (!name.startsWith(this.ofAuthor) || name === this.name)
                continue;
            await navigator.locks.request(name, { ifAvailable: true }, (lock) => {
                if (!lock)
                    return;
                this.keep([...read(name), ...this.kept()]);
                localStorage.removeItem(name);
            });
        }
    }
    add(one) {
        this.keep([...this.kept(), one]);
        setTimeout(() => this.tell(), UNSEEN_MS);
        void this.flush();
    }
    kept() {
        return read(this.name);
    }
    keep(lines) {
        if (lines.length)
            localStorage.setItem(this.name, JSON.stringify(lines));
        else
            localStorage.removeItem(this.name);
    }
    next() {
        return this.kept().find((one) => !("line" in one) || !isUnsettled(one));
    }
    async flush() {
        if (this.sending)
            return;
        this.sending = true;
        for (let first = this.next(); first; first = this.next()) {
            try {
                this.answered(first, await this.sent(first));
            }
            catch (error) {
                if (error instanceof Unreachable || (error instanceof Refused && (error.status >= 500 || error.status === 401 || error.status === 403))) {
                    this.later(plainWordsOf(error));
                    break;
                }
                this.refuse(first, plainWordsOf(error));
            }
            this.failures = 0;
            this.why = "";
        }
        this.sending = false;
        this.tell();
    }
    async sent(one) {
        const record = `/api/cases/${this.caseId}/record`;
        if ("event" in one)
            return send("POST", `${record}/corrections`, { ...one, line: "", reason: "undone" }, PATIENCE_MS);
        const { key, line, said_at } = one;
        this.keep(this.kept().map((other) => (other.key === key ? { ...other, sent: true } : other)));
        return send("POST", `${record}/lines`, { key, line, said_at }, PATIENCE_MS);
    }
    refuse(one, refused) {
        const { key } = one;
        const kept = "line" in one ? { ...one, sent: false, refused } : { key, line: TO_TAKE_BACK, said_at: timeNow().toISOString(), refused };
        this.keep(this.kept().map((other) => (other.key === key ? kept : other)));
        this.hears.refused(kept.line);
    }
    answered(one, said) {
        if ("line" in one && !said.written) {
            const asks = { question: said.question, choices: said.choices };
            this.keep(this.kept().map((other) => (other.key === one.key ? { ...one, sent: false, asks } : other)));
        }
        else {
            if ("line" in one)
                this.writtenAt = one.said_at;
            this.drop(one.key);
        }
        this.hears.wrote(one, said);
    }
    tell() {
        const kept = this.kept();
        const unsettled = kept.filter((one) => "line" in one && isUnsettled(one));
        const waiting = kept.filter((one) => !("line" in one && isUnsettled(one))).map(wordsFor);
        this.hears.waits(waiting, this.why, unsettled);
    }
    drop(key) {
        this.keep(this.kept().filter((one) => one.key !== key));
    }
    later(why) {
        this.why = why;
        const pause = PAUSES_MS[Math.min(this.failures, PAUSES_MS.length - 1)] ?? 4_000;
        this.failures += 1;
        clearTimeout(this.timer);
        this.timer = setTimeout(() => void this.flush(), pause);
    }
}
function isUnsettled(one) {
    return one.asks !== undefined || one.refused !== undefined;
}
function read(name) {
    try {
        return JSON.parse(localStorage.getItem(name) ?? "[]");
    }
    catch {
        return [];
    }
}
function key() {
    return crypto.randomUUID().replaceAll("-", "");
}
