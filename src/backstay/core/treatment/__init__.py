"""What prepares the lesion, which stents, how they are opened, what to expect and what it is worth."""
