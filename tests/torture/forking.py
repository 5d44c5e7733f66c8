"""Children forked from a server that has imported all that takes long: what is done to them falls into the operation."""

from __future__ import annotations

import multiprocessing
import os
from multiprocessing import forkserver
from multiprocessing.context import ForkServerContext
from pathlib import Path
from unittest import mock


def server() -> ForkServerContext:
    """The context whose processes are forked from that server."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["torture.farms"])
    # the server knows the paths of its environment alone
    with mock.patch.dict(os.environ, PYTHONPATH=str(Path(__file__).parents[1])):
        forkserver.ensure_running()
    return context
