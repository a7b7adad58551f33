// Asking the server, and hearing from it. One error shape, whatever went wrong.
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
async function ask(method, path, body) {
    const sent = { method, headers: {} };
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
export async function send(method, path, body) {
    const answer = await ask(method, path, body);
    return (answer.status === 204 ? undefined : await answer.json());
}
export function wordsOf(error) {
    return error instanceof Refused ? error.words : error instanceof Error ? error.message : String(error);
}
/** Follow a case. `live` hears at once when the line is down or up again. */
export function follow(caseId, hearers, live) {
    const SILENCE_MS = 25_000;
    let source;
    let watch = 0;
    const heard = () => {
        live(true);
        clearTimeout(watch);
        watch = setTimeout(open, SILENCE_MS);
    };
    function open() {
        source?.close();
        source = new EventSource(`/api/cases/${caseId}/stream`);
        source.addEventListener("alive", heard);
        for (const [kind, hearer] of Object.entries(hearers)) {
            source.addEventListener(kind, (event) => {
                heard();
                hearer(JSON.parse(event.data));
            });
        }
        source.onopen = heard;
        source.onerror = () => {
            live(false);
            clearTimeout(watch);
            watch = setTimeout(open, 1_000);
        };
    }
    open();
    addEventListener("pagehide", () => source?.close());
}
