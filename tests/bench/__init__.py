"""The bench (`python -m tests.bench vision`). Everything in it is timed on one thread."""
