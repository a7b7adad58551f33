"""The record of a case: what its events say, as pure functions."""
