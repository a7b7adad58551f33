// Hearing from the server. The pages of one browser share one stream to a case: a browser opens six connections to a
// server at most, and a line on its way to the record needs one of them.

export type Hearer = (data: Record<string, unknown>) => void;

interface Word {
  readonly kind: string;
  readonly data: Record<string, unknown>;
}

const KINDS = ["progress", "rig", "rested", "failed", "record", "room", "made", "alive", "stopped"] as const;
/** Said among the pages alone: one has come, the stream is cut. */
const JOINED = "joined";
const CUT = "cut";
const SILENCE_MS = 15_000;
const AGAIN_MS = 1_000;

/** Follow a case. `live` hears when what is shown stops being live, why, and when it is live again. */
export function follow(caseId: string, hearers: Readonly<Record<string, Hearer>>, live: (up: boolean, why: string) => void): void {
  const name = `backstay-stream-${caseId}`;
  const others = new BroadcastChannel(name);
  let now = "";
  let watch = 0;
  const state = (why: string): void => {
    if (why !== now) live(!why, why);
    now = why;
  };
  const listened = (): void => {
    clearTimeout(watch);
    watch = setTimeout(() => state("nothing is heard"), SILENCE_MS);
  };
  const hear = ({ kind, data }: Word): void => {
    if (kind === JOINED) return;
    listened();
    if (kind === CUT) state("the workbench does not answer");
    else if (kind === "stopped") state(`its clocks stand still: ${String(data["why"])}`);
    else {
      state("");
      hearers[kind]?.(data);
    }
  };
  others.addEventListener("message", (event: MessageEvent<Word>) => hear(event.data));
  others.postMessage({ kind: JOINED, data: {} });
  listened();
  void navigator.locks.request(name, async () => {
    listen(caseId, others, hear);
    await new Promise(() => undefined); // until this page goes, and the next takes over
  });
}

/** Hold the stream, and tell the other pages what it says. */
function listen(caseId: string, others: BroadcastChannel, hear: (word: Word) => void): void {
  let source: EventSource | undefined;
  let watch = 0;
  let room: Word | undefined;
  const tell = (word: Word): void => {
    hear(word);
    others.postMessage(word);
  };
  const open = (): void => {
    source?.close();
    source = new EventSource(`/api/cases/${caseId}/stream`);
    for (const kind of KINDS) {
      source.addEventListener(kind, (event: MessageEvent<string>) => {
        clearTimeout(watch);
        watch = setTimeout(open, SILENCE_MS);
        const word = { kind, data: JSON.parse(event.data) as Record<string, unknown> };
        if (kind === "room") room = word;
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
  others.addEventListener("message", (event: MessageEvent<Word>) => {
    if (event.data.kind !== JOINED) return;
    others.postMessage({ kind: "record", data: { last: "" } });
    if (room) others.postMessage(room);
  });
  open();
}
