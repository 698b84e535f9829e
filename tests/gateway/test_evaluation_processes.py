"""The processes among which a long history is cut."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

ASKER = """
import multiprocessing, os, time
from concurrent.futures import ProcessPoolExecutor
from gateway.evaluation.run import _start_worker

if __name__ == "__main__":
    context = multiprocessing.get_context("spawn")
    shared = context.Array("q", 1, lock=False)
    with ProcessPoolExecutor(
        1, mp_context=context, initializer=_start_worker, initargs=(shared,)
    ) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        pool.submit(time.sleep, 3600.0).result()
"""


def test_a_worker_ends_with_the_process_that_asked(tmp_path):
    script = tmp_path / "asker.py"
    script.write_text(ASKER)
    asker = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True)
    assert asker.stdout is not None
    worker = int(asker.stdout.readline())
    asker.send_signal(signal.SIGKILL)
    try:
        # The pipe is open in the worker too: the end of the file is the end of both.
        rest, _ = asker.communicate(timeout=120)
    except subprocess.TimeoutExpired:
        os.kill(worker, signal.SIGKILL)
        raise
    assert rest == ""
