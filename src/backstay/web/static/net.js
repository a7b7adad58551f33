// Asking the server. One error shape, whatever went wrong.
export class Refused extends Error {
    status;
    shape;
    constructor(status, shape) {
        super(shape.message);
        this.status = status;
        this.shape = shape;
    }
    /** The error as the one line a person reads. */
    get words() {
        const { message, field, value, allowed } = this.shape;
        const named = field ? `${field}${value === null ? "" : ` = ${value}`}` : "";
        return [message, named, allowed ? `allowed: ${allowed}` : ""].filter(Boolean).join("; ");
    }
}
export class Unreachable extends Error {
}
/** An error in the words of whoever types lines: without the names that the records have for their values. */
export function plainWordsOf(error) {
    if (!(error instanceof Refused))
        return wordsOf(error);
    const { message, value, allowed } = error.shape;
    return `${message}${value === null ? "" : `: ${value}`}${allowed ? ` (allowed: ${allowed})` : ""}`;
}
async function ask(method, path, body, patienceMs = 0) {
    const sent = { method, headers: {} };
    if (patienceMs)
        sent.signal = AbortSignal.timeout(patienceMs);
    if (body instanceof Blob) {
        sent.headers = { "content-type": "application/dicom" };
        sent.body = body;
    }
    else if (body !== undefined) {
        sent.headers = { "content-type": "application/json" };
        sent.body = JSON.stringify(body);
    }
    let answer;
    try {
        answer = await fetch(path, sent);
    }
    catch {
        throw new Unreachable("the workbench does not answer");
    }
    if (answer.ok)
        return answer;
    if (answer.status === 401 && !path.endsWith("/enter"))
        location.assign("/enter");
    let shape;
    try {
        shape = (await answer.json());
    }
    catch {
        shape = { error: "", message: `the workbench answered ${answer.status}`, field: "", value: null, allowed: "", where: "" };
    }
    throw new Refused(answer.status, shape);
}
export async function get(path) {
    return (await (await ask("GET", path)).json());
}
/** Send something; with a patience, what takes longer counts as not reached, and may have arrived all the same. */
export async function send(method, path, body, patienceMs = 0) {
    const answer = await ask(method, path, body, patienceMs);
    return (answer.status === 204 ? undefined : await answer.json());
}
export function wordsOf(error) {
    return error instanceof Refused ? error.words : error instanceof Error ? error.message : String(error);
}
let aheadMs = 0;
/** Go by the workbench's clock, which was `now` between asking and the answer: a browser's may be off by minutes. */
export function keepTime(now, askedMs, gotMs) {
    aheadMs = Date.parse(now) - (askedMs + gotMs) / 2;
}
export function timeNow() {
    return new Date(Date.now() + aheadMs);
}
/** Return what to say where this browser's clock is off enough to confuse. */
export function clockWords() {
    const seconds = Math.round(Math.abs(aheadMs) / 1000);
    if (seconds < 30)
        return "";
    const much = seconds < 120 ? `${seconds} s` : `${Math.round(seconds / 60)} min`;
    return `This browser's clock is ${much} ${aheadMs > 0 ? "behind" : "ahead of"} the workbench's; lines get the workbench's time.`;
}
/** Let go of work that did not reach the workbench: the first word of a stream that is up again begins it anew. */
export function orLater(work) {
    work.catch((error) => {
        if (!(error instanceof Unreachable))
            throw error;
    });
}
