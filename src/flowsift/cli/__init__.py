"""The command line."""

from flowsift.cli.app import app, main

__all__ = ["app", "main"]
