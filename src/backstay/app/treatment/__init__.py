"""Choose and size the treatment of a case."""

from backstay.app.treatment.sizing import size_case

__all__ = ["size_case"]
