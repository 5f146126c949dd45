"""The command's own beginning: one thread of linear algebra for each thread of ours."""

import os
import subprocess
import sys

import pytest

from server.cli import main


def test_numpy_is_loaded_after_the_threads_are_told():
    code = "import sys, server.cli; print('numpy' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout == "False\n"


@pytest.mark.parametrize(("asked", "given"), [(None, "1"), ("3", "3")])
def test_who_says_how_many_threads_gets_them(asked, given, monkeypatch, capsys):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    if asked is not None:
        monkeypatch.setenv("OPENBLAS_NUM_THREADS", asked)
    assert main(["version"]) == 0
    assert os.environ["OPENBLAS_NUM_THREADS"] == given
    assert capsys.readouterr().out.startswith("teesquare ")
