"""The vessel: path, lesions, branches."""
