"""No photo leaves this computer and no network call is made, ever (README's promise).

Watched from outside, by the system calls of every process and thread (strace), because
native libraries don't ask Python before they open a socket. Seen to fail first: with
onnxruntime 1.32 as it comes, a grading looked up an outside host 28 times and left a device
id in the cache folder.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "fixtures" / "demo"
STRACE = shutil.which("strace")
WAIT_S = 60

pytestmark = pytest.mark.skipif(STRACE is None, reason="strace is not installed")


def outside_calls(trace: str) -> list[str]:
    """Return the lines of a trace that reach for an address other than loopback."""
    reaching = re.compile(r"\b(?:connect|sendto|sendmsg|sendmmsg|bind)\(.*sa_family=AF_INET6?\b")
    loopback = re.compile(r'inet_addr\("127\.|inet_pton\(AF_INET6, "::1"')
    return [x for x in trace.splitlines() if reaching.search(x) and not loopback.search(x)]


def watched(folder: Path, command: Sequence[str]) -> tuple[list[str], Mapping[str, str], Path]:
    """Return a command under strace, its environment with homes of its own, and the trace."""
    trace = folder / "trace.txt"
    env = dict(os.environ)
    env.pop("ORT_DISABLE_TELEMETRY", None)  # the program has to see to that itself
    for name, key in (("home", "HOME"), ("cache", "XDG_CACHE_HOME"), ("data", "CUPROSCOPE_DATA")):
        (folder / name).mkdir()
        env[key] = str(folder / name)
    prefix = [str(STRACE), "-f", "-qq", "-e", "trace=network", "-o", str(trace)]
    return [*prefix, sys.executable, "-m", "app", *command], env, trace


def assert_nothing_left(folder: Path, trace: Path) -> None:
    assert outside_calls(trace.read_text(encoding="utf-8", errors="replace")) == []
    assert list((folder / "cache").rglob("*")) == []
    assert not list((folder / "home").rglob("*onnxruntime*"))


def test_the_watch_sees_a_look_up_and_lets_loopback_pass() -> None:
    asked = '7 connect(8, {sa_family=AF_INET, sin_port=htons(53), sin_addr=inet_addr("10.1.2.3")}'
    local = '7 connect(8, {sa_family=AF_INET, sin_port=htons(80), sin_addr=inet_addr("127.0.0.1")}'
    assert outside_calls(f"{asked}\n{local}\n7 socket(AF_INET, SOCK_DGRAM, 0) = 3") == [asked]


def test_the_watch_catches_a_real_look_up(tmp_path: Path) -> None:
    trace = tmp_path / "trace.txt"
    code = "import socket\ntry: socket.getaddrinfo('nowhere.invalid', 80)\nexcept OSError: pass"
    strace = [str(STRACE), "-f", "-qq", "-e", "trace=network", "-o", str(trace)]
    subprocess.run([*strace, sys.executable, "-c", code], check=True, timeout=WAIT_S)
    if "AF_INET" not in trace.read_text(encoding="utf-8"):
        pytest.skip("this machine has no name server to ask")
    assert outside_calls(trace.read_text(encoding="utf-8"))


@pytest.mark.parametrize("workers", [0, 2])
def test_grading_photos_reaches_for_nothing(tmp_path: Path, workers: int) -> None:
    options = ["--jobs", str(workers), "--out", str(tmp_path / "out")] if workers else []
    few = [str(path) for path in sorted(DEMO.glob("*.jpg"))[:3]]
    command, env, trace = watched(tmp_path, ["grade", *few, *options])
    done = subprocess.run(
        command, env=env, cwd=ROOT, check=False, capture_output=True, timeout=WAIT_S * 2
    )
    assert done.returncode in (0, 4), done.stderr.decode()
    assert_nothing_left(tmp_path, trace)


def test_serving_the_pages_reaches_for_nothing(tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command, env, trace = watched(tmp_path, ["app", "--port", str(port)])
    server = subprocess.Popen(
        command,
        env=env,
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # strace keeps signals to itself: its whole group is ended
    )
    try:
        until = time.monotonic() + WAIT_S
        answered = False
        while not answered and time.monotonic() < until:
            with contextlib.suppress(OSError):
                page = f"http://127.0.0.1:{port}/"
                answered = urllib.request.urlopen(page, timeout=5).status == 200
            time.sleep(0.2)
        assert answered, "the pages did not come up"
        time.sleep(4)  # the networks are warmed up behind the first page: seen to call then
    finally:
        os.killpg(server.pid, signal.SIGKILL)
        server.wait(WAIT_S)
    assert_nothing_left(tmp_path, trace)
