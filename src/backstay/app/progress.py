"""How long work is told of while it runs."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done."""

FIRST_RUNG = "first rung so far: "
"""What is said begins with this where it is an answer already, worth keeping in sight while the rest is worked out."""
