"""One thread of linear algebra for each process: two and more tests share the cores."""

from server.cli import one_thread_each

one_thread_each()
