"""The long studies behind docs/validation.md: blind prediction, interpolation against brute force, trends."""
