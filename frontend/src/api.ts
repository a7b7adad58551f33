// Written by `make docs` from the models of the API; do not edit.

export interface AddendumBody {
  readonly by: string;
  readonly text: string;
}

export interface AnchorEntry {
  readonly device: string;
  readonly branch: string;
  readonly pressure_atm: number;
}

export interface AngiogramView {
  readonly title: string;
  readonly invented: boolean;
  readonly vessel: string;
  readonly runs: readonly (RunItem)[];
  readonly kept: readonly (RunTable)[] | null;
  readonly branches: readonly (string)[];
  readonly calcium: readonly (Choice)[];
  readonly may_rank: boolean;
}

export interface Asked {
  readonly id: string;
  readonly change: string;
}

export interface AwayBody {
  readonly away: boolean;
}

export interface BandView {
  readonly name: string;
  readonly is_mark: boolean;
  readonly first: readonly (number)[];
  readonly outline: readonly (readonly (number)[])[];
}

export interface BranchEdit {
  readonly row?: number | null;
  readonly name: string;
  readonly at_mm: number;
  readonly diameter_mm: number;
  readonly angle_deg: number;
}

export interface BranchTable {
  readonly name: string;
  readonly at: readonly (number)[];
}

export type Calcium = "none" | "mild" | "moderate" | "severe";

export interface CaseItem {
  readonly id: string;
  readonly title: string;
  readonly vessel: string;
  readonly invented: boolean;
  readonly changed_at: string;
  readonly changed_words: string;
  readonly events: number;
  readonly signed: boolean;
  readonly put_away: boolean;
  readonly problem: string;
}

export interface CaseList {
  readonly cases: readonly (CaseItem)[];
  readonly vessels: readonly (string)[];
  readonly example: string;
}

export interface CatheterTable {
  readonly size_fr: number;
  readonly clicks: readonly (readonly (number)[])[];
}

export interface Choice {
  readonly words: string;
  readonly value: string;
}

export interface CorrectBody {
  readonly key: string;
  readonly event: string;
  readonly line?: string;
  readonly reason?: string;
}

export interface Door {
  readonly by_name: boolean;
}

export interface DoubtView {
  readonly doubt: string;
  readonly words: string;
  readonly stops: boolean;
  readonly accepted: boolean;
}

export interface EdgeTable {
  readonly left: readonly (number)[];
  readonly right: readonly (number)[];
}

export interface EnterBody {
  readonly token?: string;
  readonly name?: string;
  readonly password?: string;
}

export interface ErrorShape {
  readonly error: string;
  readonly message: string;
  readonly field: string;
  readonly value: string | null;
  readonly allowed: string;
  readonly where: string;
}

export interface ErrorsTable {
  readonly shift_mm?: number;
  readonly angle_deg?: number;
  readonly distance_share?: number;
}

export interface EventItem {
  readonly id: string;
  readonly kind: EventKind;
  readonly clock: string;
  readonly words: string;
  readonly role: string;
}

export type EventKind = "access" | "guide_in" | "guide_out" | "wire_in" | "wire_out" | "extension" | "inflation" | "stent" | "attempt" | "contrast" | "act" | "heparin" | "dose" | "view" | "complication" | "note" | "correction" | "opened" | "prepared" | "result" | "signed" | "addendum" | "device_in" | "device_out" | "deflation" | "wire_seen" | "pressure" | "drug" | "flush" | "end";

export interface ExtensionEntry {
  readonly device: string;
  readonly depth_mm: number;
}

export interface FileText {
  readonly name: string;
  readonly text: string;
}

export interface ImportBody {
  readonly files: readonly (FileText)[];
}

export interface KeepBody {
  readonly run: readonly (RunTable)[];
  readonly accept?: readonly (string)[];
  readonly errors?: ErrorsTable;
  readonly calcium?: Calcium | null;
}

export interface KeptView {
  readonly path: string;
  readonly record: string;
  readonly notes: readonly (string)[];
}

export interface LesionEdit {
  readonly row?: number | null;
  readonly from_mm: number;
  readonly to_mm: number;
  readonly calcium: Calcium;
  readonly prepared?: readonly (Preparation)[];
  readonly dissected?: boolean;
  readonly opened_fully?: boolean;
}

export interface LessonView {
  readonly ready: boolean;
  readonly problem: string;
  readonly decisions: number;
  readonly removed: number;
  readonly to_read: readonly (string)[];
}

export interface LineBody {
  readonly key: string;
  readonly line: string;
  readonly said_at?: string | null;
}

export interface LoadedView {
  readonly vessel: VesselView;
  readonly notes: readonly (string)[];
}

export interface Made {
  readonly id: string;
}

export interface MadeView {
  readonly ready: boolean;
  readonly problem: string;
  readonly html: string;
}

export interface Me {
  readonly name: string;
  readonly role: UserRole;
  readonly ends_at: string;
  readonly now: string;
  readonly may_record: boolean;
  readonly may_change: boolean;
  readonly with_users: boolean;
  readonly disclaimer: string;
  readonly version: string;
}

export interface MeasureBody {
  readonly run: readonly (RunTable)[];
  readonly accept?: readonly (string)[];
  readonly errors?: ErrorsTable;
}

export interface MeasureView {
  readonly facts: readonly (Row)[];
  readonly doubts: readonly (DoubtView)[];
  readonly views: readonly (TraceView)[];
  readonly strip: string;
  readonly may_be_kept: boolean;
}

export interface Part {
  readonly html: string;
}

export interface PathBody {
  readonly text: string;
}

export interface PlaceView {
  readonly step: number;
  readonly steps: number;
  readonly strip: string;
  readonly from_share: number;
  readonly to_share: number;
  readonly words: string;
  readonly rows: readonly (Row)[];
}

export interface PlanParts {
  readonly parts: { readonly [name: string]: string };
}

export interface PlanView {
  readonly case: string;
  readonly title: string;
  readonly vessel: string;
  readonly invented: boolean;
  readonly aim: string;
  readonly ready: boolean;
  readonly doing: string;
  readonly share: number;
  readonly rungs: readonly (Rung)[];
  readonly note: string;
  readonly whole: boolean;
  readonly old: string;
  readonly form: RigForm;
  readonly problems: readonly (string)[];
}

export type Preparation = "small_balloon" | "semi_compliant_balloon" | "non_compliant_balloon" | "scoring_balloon" | "lithotripsy" | "atherectomy";

export interface RecordView {
  readonly title: string;
  readonly invented: boolean;
  readonly begun: boolean;
  readonly signed: boolean;
  readonly events: readonly (EventItem)[];
  readonly written: readonly (string)[];
  readonly attempt_with: string;
  readonly attempt: readonly (Choice)[];
  readonly examples: readonly (string)[];
  readonly room: string;
}

export interface ReportView {
  readonly title: string;
  readonly invented: boolean;
  readonly signed: boolean;
  readonly digest: string;
  readonly html: string;
}

export interface RigBody {
  readonly rig: RigTable;
  readonly target: TargetTable;
}

export interface RigForm {
  readonly guides: readonly (Choice)[];
  readonly extensions: readonly (Choice)[];
  readonly wires: readonly (Choice)[];
  readonly devices: readonly (Choice)[];
  readonly guide: string;
  readonly seat_mm: number;
  readonly extension: string;
  readonly depth_mm: number;
  readonly wires_in: readonly (string)[];
  readonly device: string;
  readonly from_mm: number;
  readonly to_mm: number;
  readonly length_mm: number;
  readonly has_anchor_or_trap: boolean;
}

export interface RigTable {
  readonly guide: string;
  readonly seat_mm?: number;
  readonly extension?: ExtensionEntry | null;
  readonly wires: readonly (string)[];
  readonly anchor?: AnchorEntry | null;
  readonly trapped?: TrappedEntry | null;
}

export interface RigView {
  readonly id: string;
  readonly change: string;
  readonly in_place: boolean;
  readonly own: boolean;
  readonly answers: string;
  readonly beneath: string;
  readonly place: PlaceView;
}

export interface Row {
  readonly name: string;
  readonly words: string;
}

export interface RunItem {
  readonly name: string;
  readonly rows: number;
  readonly columns: number;
  readonly frames: number;
  readonly bytes_per_pixel: number;
  readonly most: number;
  readonly low: number;
  readonly high: number;
  readonly inverted: boolean;
  readonly frame_ms: number | null;
  readonly view: string;
  readonly facts: readonly (Row)[];
  readonly problem?: string;
}

export interface RunTable {
  readonly file: string;
  readonly sha256?: string | null;
  readonly frame: number;
  readonly clicks: readonly (readonly (number)[])[];
  readonly drawn?: readonly (readonly (number)[])[] | null;
  readonly edge?: readonly (EdgeTable)[];
  readonly branch?: readonly (BranchTable)[];
  readonly catheter?: CatheterTable | null;
  readonly spine?: "left" | "right" | null;
  readonly primary_deg?: number | null;
  readonly secondary_deg?: number | null;
  readonly sid_mm?: number | null;
  readonly isocentre_mm?: number | null;
  readonly pixel_mm?: number | null;
}

export interface Rung {
  readonly id: string;
  readonly change: string;
  readonly chance: string;
  readonly detail: string;
  readonly pips: string;
  readonly in_place: boolean;
  readonly own: boolean;
  readonly ready: boolean;
  readonly problem?: string;
}

export interface SaidView {
  readonly written: boolean;
  readonly echo: string;
  readonly question: string;
  readonly choices: readonly (Choice)[];
  readonly hazards: readonly (string)[];
  readonly again: boolean;
  readonly stands: boolean;
}

export interface SecondBody {
  readonly first: RunTable;
  readonly second: SecondFrame;
  readonly errors?: ErrorsTable;
}

export interface SecondFrame {
  readonly file: string;
  readonly frame: number;
  readonly clicks?: readonly (readonly (number)[])[];
  readonly branch?: readonly (BranchTable)[];
  readonly catheter?: CatheterTable | null;
  readonly primary_deg?: number | null;
  readonly secondary_deg?: number | null;
  readonly sid_mm?: number | null;
  readonly isocentre_mm?: number | null;
  readonly pixel_mm?: number | null;
}

export interface SecondView {
  readonly bands: readonly (BandView)[];
}

export interface SignBody {
  readonly by: string;
  readonly digest: string;
}

export interface SketchBody {
  readonly text: string;
  readonly vessel: string;
  readonly title?: string;
}

export interface TargetTable {
  readonly from_mm: number;
  readonly to_mm: number;
  readonly device: string;
}

export interface TraceBody {
  readonly run: RunTable;
  readonly at_once?: boolean;
}

export interface TraceView {
  readonly at_once: boolean;
  readonly line: readonly (readonly (number)[])[];
  readonly left: readonly (readonly (number)[])[];
  readonly right: readonly (readonly (number)[])[];
  readonly facts: readonly (Row)[];
  readonly doubts: readonly (string)[];
  readonly strip: string;
}

export interface TrappedEntry {
  readonly from_mm: number;
  readonly to_mm: number;
  readonly device: string;
}

export type UserRole = "reader" | "recorder" | "operator";

export interface VesselBody {
  readonly read: string;
  readonly lesions: readonly (LesionEdit)[];
  readonly branches: readonly (BranchEdit)[];
}

export interface VesselSketchBody {
  readonly text: string;
}

export interface VesselView {
  readonly title: string;
  readonly invented: boolean;
  readonly rows: readonly (Row)[];
  readonly warnings: readonly (string)[];
  readonly length_mm: number;
  readonly read: string;
  readonly lesions: readonly (LesionEdit)[];
  readonly branches: readonly (BranchEdit)[];
  readonly calcium: readonly (Choice)[];
  readonly preparations: readonly (Choice)[];
  readonly picture: string;
}

export interface WorkingViewItem {
  readonly name: string;
  readonly lost_mm: number;
  readonly lost_percent: number;
  readonly covered_mm: number;
}

export interface WorkingViews {
  readonly what: string;
  readonly views: readonly (WorkingViewItem)[];
  readonly notes: readonly (string)[];
}
