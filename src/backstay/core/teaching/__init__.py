"""A finished case as a lesson: where a decision was taken, what stood open then, what was done."""
