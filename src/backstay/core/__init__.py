"""Pure models: arrays and frozen dataclasses in, the same out."""
