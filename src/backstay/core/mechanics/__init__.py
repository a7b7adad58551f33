"""Push, contact, prolapse, backup: how a device goes down a vessel."""
