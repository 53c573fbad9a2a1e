"""The command line. Thin: it reads words, calls the library and prints what that says."""

from toeline.cli.main import app, main

__all__ = ["app", "main"]
