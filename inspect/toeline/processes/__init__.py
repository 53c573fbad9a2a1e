"""Processes that do work for this one, and the limits that the operating system keeps for them."""
