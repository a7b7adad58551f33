"""Pictures and pages made from a plan."""
