"""Limits that run down during a case, and rules that stop a harmful step before it is taken."""
