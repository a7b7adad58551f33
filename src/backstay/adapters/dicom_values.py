"""Single values out of a DICOM data set, each absent rather than wrong: what cannot be a number is not one."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from typing import Any

from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset


def raw(dataset: Dataset, keyword: str) -> Any:
    """Return an element's value; None when it is absent, empty or unreadable."""
    tag = tag_for_keyword(keyword)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if tag is None or tag not in dataset:
                return None
            value = dataset[tag].value
    except Exception:
        # A value that its own reader refuses is as good as absent; the caller warns of what is missing.
        return None
    return None if value is None or value == "" or (isinstance(value, list | tuple) and not value) else value


def numbers(dataset: Dataset, keyword: str) -> list[float] | None:
    """Return all finite numbers of an element; None when one of them is not."""
    value = raw(dataset, keyword)
    if value is None or isinstance(value, bytes):
        return None
    items = (
        list(value) if not isinstance(value, str | int | float) and hasattr(value, "__iter__") else [value]
    )
    try:
        found = [float(item) for item in items]
    except (TypeError, ValueError):
        return None
    return found if found and all(math.isfinite(x) for x in found) else None


def number(dataset: Dataset, keyword: str) -> float | None:
    """Return the first number of an element."""
    found = numbers(dataset, keyword)
    return None if found is None else found[0]


def whole(dataset: Dataset, keyword: str) -> int | None:
    """Return a whole number; None when it is not one."""
    found = number(dataset, keyword)
    return int(found) if found is not None and found == int(found) else None


def text(dataset: Dataset, keyword: str) -> str:
    """Return the text of an element in upper case; "" when there is none."""
    value = raw(dataset, keyword)
    if value is None or isinstance(value, bytes):
        return ""
    return str(value).strip().upper()


def items(dataset: Dataset, keyword: str) -> Iterator[Dataset]:
    """Yield the items of a sequence; none when it is absent."""
    value = raw(dataset, keyword)
    if value is None:
        return
    for item in value if not isinstance(value, str | bytes | int | float) else ():
        if isinstance(item, Dataset):
            yield item


def first(dataset: Dataset, *keywords: str) -> Dataset | None:
    """Return the first item found by following sequences by name."""
    here: Dataset | None = dataset
    for keyword in keywords:
        here = next(items(here, keyword), None) if here is not None else None
    return here


def holders(dataset: Dataset, sequence: str) -> list[Dataset]:
    """Return where values of a functional group may stand: the head itself, then the groups, those of all frames first."""
    groups = (
        *items(dataset, "SharedFunctionalGroupsSequence"),
        *items(dataset, "PerFrameFunctionalGroupsSequence"),
    )
    found = (first(group, sequence) for group in groups)
    return [dataset, *(item for item in found if item is not None)]
