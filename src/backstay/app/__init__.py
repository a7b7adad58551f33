"""Use cases: the only place that joins models and files."""
