"""Errors that a user can act on, and how each leaves the program.

Every message says what, which value, which limit and what to do. Tables map the classes to exit codes and HTTP
status; `error_shape` is the one error shape for machine output.
"""

from __future__ import annotations

from typing import Any


class InputError(ValueError):
    """A value is outside what the model or the file format allows.

    Parameters
    ----------
    message : str
        What is wrong, in one sentence.
    field : str
        Name of the value, as the user wrote it (dotted for nested keys).
    value : object
        The value found.
    allowed : str
        What would have been accepted.
    where : str
        File (and line) the value came from; empty when it did not come from a file.
    """

    def __init__(
        self, message: str, *, field: str = "", value: object = None, allowed: str = "", where: str = ""
    ) -> None:
        self.message, self.field, self.value, self.allowed, self.where = message, field, value, allowed, where
        super().__init__(self._text())

    def _text(self) -> str:
        parts = [self.message]
        if self.field:
            parts.append(f"{self.field} = {self.value!r}" if self.value is not None else self.field)
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        text = "; ".join(parts)
        return f"{self.where}: {text}" if self.where else text

    def as_json(self) -> dict[str, Any]:
        """Return the error as the one JSON shape used by every interface."""
        return {
            "error": type(self).__name__,
            "message": self.message,
            "field": self.field,
            "value": None if self.value is None else str(self.value),
            "allowed": self.allowed,
            "where": self.where,
        }


class OutsideValidity(InputError):
    """A value lies outside the range in which a model has been checked."""


class FileFormatError(InputError):
    """A file cannot be read as what it should be."""


class NotFound(InputError, LookupError):
    """Something named does not exist."""


class NotConverged(ArithmeticError):
    """A numerical method did not reach its tolerance.

    Parameters
    ----------
    message : str
        What did not converge.
    iterations : int
        Iterations spent.
    residual : float
        Residual left, in the method's own unit (stated in the message).
    """

    def __init__(self, message: str, *, iterations: int, residual: float) -> None:
        self.iterations, self.residual = iterations, residual
        super().__init__(f"{message} (after {iterations} iterations, residual {residual:.3g})")


class StoreError(RuntimeError):
    """The store of records cannot be reached, is full, or does not hold what it should."""


EXIT_CODES: dict[type[Exception], int] = {
    NotFound: 3,
    FileFormatError: 4,
    OutsideValidity: 6,
    InputError: 5,
    NotConverged: 7,
    OSError: 8,
    StoreError: 9,
}
"""Exit code by error class, most specific first. 2 is the command line's own (wrong options)."""


def exit_code(error: Exception) -> int:
    """Return the process exit code for `error` (1 for an error that has no class of its own)."""
    return next((code for kind, code in EXIT_CODES.items() if isinstance(error, kind)), 1)


HTTP_STATUS: dict[type[Exception], int] = {
    NotFound: 404,
    InputError: 422,
    NotConverged: 422,
    StoreError: 503,
    OSError: 500,
}
"""HTTP status by error class, most specific first; every class of `EXIT_CODES` has one."""


def http_status(error: Exception) -> int:
    """Return the HTTP status for `error` (500 for an error that has no class of its own)."""
    return next((code for kind, code in HTTP_STATUS.items() if isinstance(error, kind)), 500)


def error_shape(error: Exception) -> dict[str, Any]:
    """Return any error the program expects in the one JSON shape."""
    if isinstance(error, InputError):
        return error.as_json()
    shape = {"error": type(error).__name__, "message": str(error), "field": "", "value": None, "allowed": ""}
    if isinstance(error, OSError):
        shape["error"], shape["message"] = "OSError", error.strerror or str(error)
    return {**shape, "where": str(getattr(error, "filename", None) or "")}
