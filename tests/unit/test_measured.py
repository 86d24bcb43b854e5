"""What the benchmarks say of memory: of the command alone, and of all its processes together."""

from __future__ import annotations

import sys

from tests.benchmarks.measured import run

PARENT = """
import subprocess, sys, time
child = "import time; held = bytearray(b'x') * 60_000_000; print('ready', flush=True); time.sleep(1)"
with subprocess.Popen([sys.executable, "-S", "-c", child], stdout=subprocess.PIPE) as process:
    process.stdout.readline()
    held = bytearray(b"x") * 120_000_000
    time.sleep(0.5)
"""
"""The child begins before the parent holds anything: it is seen with the parent's memory until it runs its program."""


def test_what_the_one_who_measures_holds_does_not_count() -> None:
    held = bytearray(b"x") * 150_000_000
    done = run(["true"])
    assert done.peak < 20
    assert max(done.each, default=0.0) < 20
    assert len(held) == 150_000_000


def test_processes_are_added() -> None:
    done = run([sys.executable, "-S", "-c", PARENT])
    assert len(done.each) == 2
    assert 120 < done.each[0] < 160
    assert 60 < done.each[1] < 100
    assert max(180.0, done.each[0] + 20) < done.peak <= sum(done.each) + 1
