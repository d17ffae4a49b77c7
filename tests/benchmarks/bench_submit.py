"""Eight tablets post two readings a second each, on SQLite, against a bare Django view that inserts one row.

Both are served by the very same web server (two processes of four threads, as `serve` starts them) on the
same database, in turns; a reading takes its session, role, look-ups, slips, conversion, record and answer.
Checked: no error, and every reading stored once. Run: python -m tests.benchmarks.bench_submit --seconds 60
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path

TABLETS, PER_SECOND = 8, 2
SECONDS = 15
AT_MOST_TIMES = 3.0
WARM_UP = 4  # answers of each tablet that are not counted
ROUND_S = 5
BARE, OURS = "/bare/", "/bench/submit/"
ROOT = Path(__file__).parents[2]
TOKEN = "b" * 32


class Tablet(threading.Thread):
    """One tablet: posts at its pace and keeps how long each answer took."""

    def __init__(self, port: int, cookie: str, address: str, bodies: list[bytes], pace: float):
        super().__init__()
        self.port, self.cookie, self.address, self.bodies, self.pace = port, cookie, address, bodies, pace
        self.took: list[float] = []
        self.answers: list[tuple[int, dict]] = []

    def run(self) -> None:
        connection = http.client.HTTPConnection("localhost", self.port, timeout=30)
        headers = {
            "Content-Type": "application/json", "Cookie": f"sessionid={self.cookie}; csrftoken={TOKEN}",
            "X-CSRFToken": TOKEN, "Host": f"localhost:{self.port}",
        }  # fmt: skip
        due = time.perf_counter() + random.random() * self.pace
        for body in self.bodies:
            time.sleep(max(0.0, due - time.perf_counter()))
            due += self.pace
            start = time.perf_counter()
            connection.request("POST", self.address, body, headers)
            answer = connection.getresponse()
            text = answer.read()
            self.took.append(time.perf_counter() - start)
            self.answers.append((answer.status, json.loads(text) if answer.status == 200 else {"error": text[:300]}))
        connection.close()


def prepare(specimens: int) -> None:
    """In the server's data folder: a programme, planned specimens, and a session for each tablet."""
    import django

    django.setup()
    from django.contrib.auth import SESSION_KEY
    from django.contrib.sessions.backends.db import SessionStore
    from django.core.management import call_command

    from tests.bench.staging import make_stage, person

    call_command("migrate", verbosity=0)
    stage = make_stage()
    places = stage.plan("force", replicates=-(-specimens // 6), blocking="none")
    cookies = []
    for i in range(TABLETS):
        user = person(f"tablet-{i}", "bench")
        session = SessionStore()
        session[SESSION_KEY] = str(user.pk)
        session["_auth_user_backend"] = "django.contrib.auth.backends.ModelBackend"
        session["_auth_user_hash"] = user.get_session_auth_hash()
        session.create()
        cookies.append(session.session_key)
    print(json.dumps({
        "trial": f"{stage.programme.slug}/force", "specimens": [p.specimen.blind_code for p in places],
        "cookies": cookies,
    }))  # fmt: skip


def count() -> None:
    import django

    django.setup()
    from specimens.models import Reading, Submission

    print(json.dumps({"readings": Reading.objects.count(), "submissions": Submission.objects.count()}))


def run(seconds: int = SECONDS, tablets: int = TABLETS) -> dict:
    """Print and return the p95 of both and their ratio."""
    each = seconds * PER_SECOND + WARM_UP
    with tempfile.TemporaryDirectory() as folder:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        environment = os.environ | {
            "EVENHAND_DATA": folder, "DJANGO_SETTINGS_MODULE": "config.settings", "OPENBLAS_NUM_THREADS": "1",
            "PUBLIC_URL": f"http://localhost:{port}",
        }  # fmt: skip
        for name in ("DATABASE_URL", "REDIS_URL"):
            environment.pop(name, None)
        ready = _child(["--prepare", str(tablets * each)], environment)
        server = subprocess.Popen(
            [
                sys.executable, "-m", "gunicorn", "tests.benchmarks.bare_site", "--bind", f"127.0.0.1:{port}",
                "--worker-class", "gthread", "--workers", "2", "--threads", "4", "--no-control-socket",
                "--log-level", "warning",
            ],
            cwd=ROOT, env=environment,
        )  # fmt: skip
        try:
            _wait_for(port, server)
            result = _measure(port, ready, each, tablets)
        finally:
            server.terminate()
            server.wait(30)
        stored = _child(["--count"], environment)
    expected = tablets * each
    if stored != {"readings": expected, "submissions": expected}:
        raise RuntimeError(f"{expected} readings were posted, {stored} are there")
    print(
        f"{tablets} tablets, {PER_SECOND} readings a second each, {seconds} s: p95 {result['ours_ms']:.1f} ms, "
        f"bare view {result['bare_ms']:.1f} ms: {result['ratio']:.2f} times (at most {AT_MOST_TIMES:g}); median "
        f"{result['ours_median_ms']:.1f} ms and {result['bare_median_ms']:.1f} ms; {expected} of {expected} stored"
    )
    return result


def _measure(port: int, ready: dict, each: int, tablets: int) -> dict:
    """Post `each` times from every tablet to both addresses, a few seconds each in turns: load elsewhere hits both."""
    codes = iter(ready["specimens"])
    took: dict[str, list[float]] = {BARE: [], OURS: []}
    done = 0
    while done < each:
        turn = min(ROUND_S * PER_SECOND, each - done)
        for address in (BARE, OURS):
            for thread in _round(port, ready, codes, address, turn, tablets):
                # the first answers of a process import Pint, NumPy and the like
                took[address] += [t * 1000 for t in thread.took[max(0, WARM_UP - done):]]
        done += turn

    def p95(values: list[float]) -> float:
        return statistics.quantiles(values, n=20)[-1]

    return {
        "bare_ms": p95(took[BARE]), "ours_ms": p95(took[OURS]), "ratio": p95(took[OURS]) / p95(took[BARE]),
        "bare_median_ms": statistics.median(took[BARE]), "ours_median_ms": statistics.median(took[OURS]),
    }  # fmt: skip


def _round(port: int, ready: dict, codes, address: str, turn: int, tablets: int) -> list[Tablet]:
    threads = []
    for i in range(tablets):
        named = [next(codes) if address == OURS else "C" for _ in range(turn)]
        bodies = [_body(ready["trial"], code, f"tablet-{i}") for code in named]
        threads.append(Tablet(port, ready["cookies"][i % TABLETS], address, bodies, 1 / PER_SECOND))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for thread in threads:
        for status, answer in thread.answers:
            if status != 200 or (address == OURS and answer["answers"][0]["status"] != "stored"):
                raise RuntimeError(f"{address}: {status} {answer}")
    return threads


def _body(trial: str, specimen: str, tablet: str) -> bytes:
    now = datetime.now(UTC).isoformat()
    entry = {
        "id": str(uuid.uuid4()), "kind": "reading", "trial": trial, "specimen": specimen, "instrument": "stand",
        "value": f"{random.gauss(60, 3):.1f}", "unit": "N", "made_at": now, "note": "", "operator": tablet,
    }  # fmt: skip
    return json.dumps({"tablet": tablet, "sent_at": now, "entries": [entry]}).encode()


def _child(arguments: list[str], environment: dict) -> dict:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.bench_submit", *arguments], cwd=ROOT, env=environment,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(done.stderr)
    return json.loads(done.stdout.splitlines()[-1])


def _wait_for(port: int, server: subprocess.Popen) -> None:
    for _ in range(300):
        if server.poll() is not None:
            raise RuntimeError("the web server ended at once")
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=1):
                return
        except OSError:
            time.sleep(0.1)
    raise RuntimeError("the web server does not answer")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=SECONDS)
    parser.add_argument("--tablets", type=int, default=TABLETS)
    parser.add_argument("--prepare", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--count", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.prepare:
        prepare(asked.prepare)
    elif asked.count:
        count()
    else:
        run(asked.seconds, asked.tablets)


if __name__ == "__main__":
    main()
