"""The report of a procedure on paper, as a page and as plain text: one list of parts, set three ways."""
