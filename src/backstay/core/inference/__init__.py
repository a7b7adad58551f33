"""Uncertain inputs and what follows from them."""
