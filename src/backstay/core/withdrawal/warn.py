"""When the way back is worse than the way in: said before the move."""

from __future__ import annotations

from collections.abc import Mapping

from backstay.core.withdrawal.guide_in import DEEP_MM
from backstay.identifiers import Catch, TrappedEnd

# The shares from which something is said: judgement, no source.
CATCH_SHARE = 0.05
DEEP_SHARE = 0.25
STRIPPED_SHARE = 0.01
BREAK_SHARE = 0.01
STENT_MOVES_SHARE = 0.05
NOTICEABLE_N = 0.1
"""A pull smaller than this is not called worse than any push."""

CATCHES = {
    Catch.LEDGE: "on the lesion",
    Catch.STENT_END: "at the end of the stent already open",
    Catch.EXTENSION_MOUTH: "at the extension's mouth",
    Catch.GUIDE_TIP: "at the guide's tip",
}
ENDS = {
    TrappedEnd.SLIPS: "slips out",
    TrappedEnd.MOVES_STENT: "moves or shortens the stent",
    TrappedEnd.BREAKS: "breaks",
}


def way_back_warnings(
    *,
    pull_N: float,
    push_N: float | None,
    catches: Mapping[Catch, float],
    guide_in_share: float,
    stripped_share: float | None = None,
    trapped: Mapping[TrappedEnd, float] | None = None,
) -> tuple[str, ...]:
    """Return what is to be said before a thing is placed or drawn back.

    Parameters
    ----------
    pull_N : float
        Median of the highest pull on its way back [N]; infinite where an edge locks in half the draws.
    push_N : float or None
        Median of the highest push on its way in [N], where it is known.
    catches : mapping of Catch to float
        Share of draws in which an edge catches, by place.
    guide_in_share : float
        Share of draws in which the guide is drawn in deep.
    stripped_share : float, optional
        Share of draws in which a stent could be stripped off its balloon.
    trapped : mapping of TrappedEnd to float, optional
        What gives first when a trapped wire is pulled.

    Returns
    -------
    tuple of str
        In the trade's words; empty where the way back is no worse.

    Examples
    --------
    >>> way_back_warnings(pull_N=0.4, push_N=0.6, catches={}, guide_in_share=0.1)
    ()
    >>> way_back_warnings(pull_N=0.7, push_N=0.6, catches={Catch.GUIDE_TIP: 0.1}, guide_in_share=0.0)
    ('the way back takes more pull (0.70 N) than the way in took push (0.60 N)', "an edge may catch at the guide's tip (10 %)")
    """
    said = []
    if push_N is not None and pull_N > push_N and pull_N > NOTICEABLE_N:
        much = "an edge locks" if pull_N == float("inf") else f"{pull_N:.2f} N"
        said.append(f"the way back takes more pull ({much}) than the way in took push ({push_N:.2f} N)")
    said += [
        f"an edge may catch {CATCHES[what]} ({100.0 * share:.0f} %)"
        for what, share in catches.items()
        if share >= CATCH_SHARE
    ]
    if stripped_share is not None and stripped_share >= STRIPPED_SHARE:
        said.append(
            f"pulled on against a catch, the stent could come off its balloon ({100.0 * stripped_share:.0f} %)"
        )
    if guide_in_share >= DEEP_SHARE:
        said.append(
            f"the guide may be drawn in by more than {DEEP_MM:.0f} mm ({100.0 * guide_in_share:.0f} %)"
        )
    for end, least, words in (
        (TrappedEnd.BREAKS, BREAK_SHARE, "its soft end may break before it slips"),
        (TrappedEnd.MOVES_STENT, STENT_MOVES_SHARE, "it may move or shorten the stent before it slips"),
    ):
        share = (trapped or {}).get(end, 0.0)
        if share >= least:
            said.append(f"{words} ({100.0 * share:.0f} %, order of magnitude)")
    return tuple(said)
