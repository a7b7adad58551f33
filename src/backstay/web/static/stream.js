// Hearing from the server. The pages of one browser share one stream to a case: a browser opens six connections to a
// server at most, and a line on its way to the record needs one of them.
const KINDS = ["progress", "rig", "rested", "failed", "record", "room", "made", "alive", "stopped"];
/** Said among the pages alone: one has come, the stream is cut. */
const JOINED = "joined";
const CUT = "cut";
const SILENCE_MS = 15_000;
const AGAIN_MS = 1_000;
/** Follow a case. `live` hears when what is shown stops being live, why, and when it is live again. */
export function follow(caseId, hearers, live) {
    const name = `backstay-stream-${caseId}`;
    const others = new BroadcastChannel(name);
    let now = "";
    let watch = 0;
    const state = (why) => {
        if (why !== now)
            live(!why, why);
        now = why;
    };
    const listened = () => {
        clearTimeout(watch);
        watch = setTimeout(() => state("nothing is heard"), SILENCE_MS);
    };
    const hear = ({ kind, data }) => {
        if (kind === JOINED)
            return;
        listened();
        if (kind === CUT)
            state("the workbench does not answer");
        else if (kind === "stopped")
            state(`its clocks stand still: ${String(data["why"])}`);
        else {
            state("");
            hearers[kind]?.(data);
        }
    };
    others.addEventListener("message", (event) => hear(event.data));
    others.postMessage({ kind: JOINED, data: {} });
    listened();
    void navigator.locks.request(name, async () => {
        listen(caseId, others, hear);
        await new Promise(() => undefined); // until this page goes, and the next takes over
    });
}
/** Hold the stream, and tell the other pages what it says. */
function listen(caseId, others, hear) {
    let source;
    let watch = 0;
    let room;
    const tell = (word) => {
        hear(word);
        others.postMessage(word);
    };
    const open = () => {
        source?.close();
        source = new EventSource(`/api/cases/${caseId}/stream`);
        for (const kind of KINDS) {
            source.addEventListener(kind, (event) => {
                clearTimeout(watch);
                watch = setTimeout(open, SILENCE_MS);
                const word = { kind, data: JSON.parse(event.data) };
                if (kind === "room")
                    room = word;
                tell(word);
            });
        }
        source.onerror = () => {
            tell({ kind: CUT, data: {} });
            clearTimeout(watch);
            watch = setTimeout(open, AGAIN_MS);
        };
    };
    // A page that comes later has read the record before it followed: what was written between is in this word.
    others.addEventListener("message", (event) => {
        if (event.data.kind !== JOINED)
            return;
        others.postMessage({ kind: "record", data: { last: "" } });
        if (room)
            others.postMessage(room);
    });
    open();
}
