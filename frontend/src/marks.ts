// What is marked on one view, and how it is drawn over its frame: clicks, line, edges, branches, the catheter, the band.

import type { BandView, RunTable, TraceView } from "./api.js";
import { svg } from "./cine.js";

export type Place = readonly [number, number];

/** One view as it is marked; everything is in row and column of its frame. */
export interface Marks {
  file: string;
  frame: number;
  clicks: Place[];
  branch: { name: string; at: Place }[];
  edge: { left: Place; right: Place }[];
  drawn: Place[] | null;
  catheter: { size_fr: number; clicks: Place[] };
  spine: "" | "left" | "right";
}

export function blank(file: string, frame: number): Marks {
  return { file, frame, clicks: [], branch: [], edge: [], drawn: null, catheter: { size_fr: 6, clicks: [] }, spine: "" };
}

function place(values: readonly number[]): Place {
  return [values[0] ?? 0, values[1] ?? 0];
}

/** The marks of a record. */
export function fromTable(table: RunTable): Marks {
  return {
    file: table.file,
    frame: table.frame,
    clicks: table.clicks.map(place),
    branch: (table.branch ?? []).map((one) => ({ name: one.name, at: place(one.at) })),
    edge: (table.edge ?? []).map((one) => ({ left: place(one.left), right: place(one.right) })),
    drawn: table.drawn ? table.drawn.map(place) : null,
    catheter: { size_fr: table.catheter?.size_fr ?? 6, clicks: (table.catheter?.clicks ?? []).map(place) },
    spine: table.spine ?? "",
  };
}

/** The marks as the server takes them. */
export function toTable(marks: Marks): RunTable {
  return {
    file: marks.file,
    frame: marks.frame,
    clicks: marks.clicks,
    branch: marks.branch,
    edge: marks.edge,
    drawn: marks.drawn,
    catheter: marks.catheter.clicks.length > 1 ? marks.catheter : null,
    spine: marks.spine || null,
  };
}

export function apart(a: Place, b: Place): number {
  return Math.hypot(a[0] - b[0], a[1] - b[1]);
}

/** The nearest of some places, and how far it is. */
export function nearest(places: readonly Place[], to: Place): { at: number; away: number } {
  let found = { at: -1, away: Infinity };
  places.forEach((one, at) => {
    const away = apart(one, to);
    if (away < found.away) found = { at, away };
  });
  return found;
}

/** Between which clicks a new one on the line belongs: the count of clicks whose place on the line comes before it. */
export function between(clicks: readonly Place[], line: readonly Place[], at: number): number {
  const before = clicks.filter((one) => nearest(line, one).at < at).length;
  return Math.min(Math.max(before, 1), Math.max(clicks.length - 1, 1));
}

function way(places: readonly (readonly number[])[]): string {
  return places.map((one, k) => `${k ? "L" : "M"}${((one[1] ?? 0) + 0.5).toFixed(1)} ${((one[0] ?? 0) + 0.5).toFixed(1)}`).join("");
}

export interface Drawn {
  readonly marks: Marks;
  readonly trace: TraceView | null;
  readonly bands: readonly BandView[];
  readonly cursor: Place | null;
  readonly pointed: readonly number[] | null;
}

/** Draw everything marked on a view. `unit` is one pixel of the screen in pixels of the image. */
export function overlay({ marks, trace, bands, cursor, pointed }: Drawn, unit: number): Node[] {
  const made: Node[] = [];
  const path = (style: string, places: readonly (readonly number[])[], more = ""): void => {
    if (places.length) made.push(svg("path", { class: style, d: way(places) + more }));
  };
  const label = (words: string, at: readonly number[], style: string): void => {
    const text = svg("text", { class: style, x: (at[1] ?? 0) + 9 * unit, y: (at[0] ?? 0) - 6 * unit, "font-size": 13 * unit });
    text.textContent = words;
    made.push(text);
  };
  const dot = (style: string, at: readonly number[], size: number): void => {
    made.push(svg("circle", { class: style, cx: (at[1] ?? 0) + 0.5, cy: (at[0] ?? 0) + 0.5, r: size * unit }));
  };
  for (const band of bands) {
    path(band.is_mark ? "band" : "band here", band.outline, "Z");
    // In the middle of its first side.
    label(band.name, band.outline[Math.floor(band.outline.length / 4)] ?? [], "band-name");
  }
  if (trace) {
    path("edge", trace.left);
    path("edge", trace.right);
    path("middle", trace.line);
  }
  path("shaft", marks.catheter.clicks);
  marks.catheter.clicks.forEach((one) => dot("shaft-mark", one, 4));
  marks.edge.forEach((one) => {
    dot("edge-mark", one.left, 4);
    dot("edge-mark", one.right, 4);
  });
  marks.clicks.forEach((one, k) => {
    dot("click", one, 5);
    if (k === 0) label("start", one, "mark-name");
  });
  marks.branch.forEach((one) => {
    dot("branch", one.at, 5);
    label(one.name, one.at, "mark-name");
  });
  if (pointed) dot("pointed", pointed, 7);
  if (cursor) {
    const [row, column] = [cursor[0] + 0.5, cursor[1] + 0.5];
    const arm = 14 * unit;
    made.push(svg("path", { class: "cursor", d: `M${column - arm} ${row}h${2 * arm}M${column} ${row - arm}v${2 * arm}` }));
  }
  return made;
}
