"""Learning from attempts: what was tried, what it says of the unknowns, what to try next; and what many cases share."""

from __future__ import annotations

from backstay.app.learning.knowing import Known, learned, learned_case, thinned
from backstay.app.learning.tried import as_it_stands

__all__ = ["Known", "as_it_stands", "learned", "learned_case", "thinned"]
