"""Lets `python -m proofstand` be the same as the `proofstand` command."""

from .commands.main import entry

if __name__ == "__main__":
    entry()
