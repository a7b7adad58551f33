"""Taking identifiers out of what leaves the lab: texts, dates, and letters burned into pictures."""
