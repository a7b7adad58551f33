"""The workbench in a browser: an application made from a library of cases, and nothing it keeps to itself."""

from backstay.web.application import application

__all__ = ["application"]
