"""The command line: each command reads its words, asks the program, and prints or saves the answer.

What a command is for stands in its help. Heavy imports stand inside the commands, so that help comes at once.
A module of commands adds them to the one `app` when it is imported here; help lists them in this order.
"""

import gc  # noqa: I001  the order of the help below
import os

from backstay.cli import planning
from backstay.cli import treatment
from backstay.cli import measuring
from backstay.cli import safety
from backstay.cli import record
from backstay.cli import reporting
from backstay.cli import wrap_up
from backstay.cli import guides
from backstay.cli import holds
from backstay.cli import learning
from backstay.cli import library
from backstay.cli import serving
from backstay.cli.base import app

__all__ = [
    "app",
    "collect_less",
    "guides",
    "holds",
    "learning",
    "library",
    "main",
    "measuring",
    "planning",
    "record",
    "reporting",
    "safety",
    "serving",
    "share_no_products",
    "treatment",
    "wrap_up",
]


def collect_less() -> None:
    """Look for garbage less often than is usual.

    Loading, and a long record, make objects by the hundred thousand that all stay: searched at the usual pace, they cost
    a tenth of a short command and half of the opening of a long case.
    """
    gc.set_threshold(50_000)


def share_no_products() -> None:
    """Have every product of matrices done by the thread that asks, unless the user chose otherwise.

    They are small, and the work around them already runs on every core: shared out, they cost up to twice the processor's time. Must
    come before numpy is imported.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main() -> None:
    """Run the command line."""
    collect_less()
    share_no_products()
    app(prog_name="backstay")
