"""A kill at any moment loses nothing that was acknowledged, and leaves no half batch."""

from __future__ import annotations

import itertools
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from loopmend.records import Store, StoredEvent, load, load_streams, open_store, store_version

PROGRAM = Path(__file__).with_name("appending_program.py")


def run_and_kill(url: str, turn: int, delay_s: float, *, from_first_batch: bool) -> list[list[str]]:
    """Start the program, kill it a moment after it begins (or first has an answer), give back what it printed."""
    command = [sys.executable, str(PROGRAM), url, str(turn)]
    lines = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout
        assert process.stderr
        for line in process.stdout:
            lines.append(line)
            if not from_first_batch or line.startswith("ack"):
                break
        time.sleep(delay_s)
        process.send_signal(signal.SIGKILL)
        # Read on through the same object: communicate() would skip what it has read ahead.
        lines += process.stdout.readlines()
        told = process.stderr.read()
    assert process.returncode == -signal.SIGKILL, told  # it was alive until then
    # The kill may fall into a line; a line without its end was not printed.
    return [line.split() for line in lines if line.endswith("\n")]


def check_whole(events: tuple[StoredEvent, ...]) -> None:
    """Versions without a gap, batches complete and in one piece."""
    assert [event.version for event in events] == list(range(1, len(events) + 1))
    for _, group in itertools.groupby(events, key=lambda event: event.command_id):
        batch = list(group)
        assert len(batch) == batch[0].body["size"]


def check_round(store: Store, printed: list[list[str]], before: dict[str, int]) -> int:
    """Find every printed version at its place; beyond them at most the one batch that was under way."""
    last = dict(before)
    for words in printed:
        if words[0] == "ack":
            _, stream, command_id, version = words
            events = load(store, stream)
            assert events[int(version) - 1].command_id == command_id
            last[stream] = int(version)
    tried = [words for words in printed if words[0] == "try"]
    answered = [words[1:3] for words in printed if words[0] == "ack"]
    assert [words[1:] for words in tried][: len(answered)] == answered  # no printed line went astray
    assert len(tried) - len(answered) in (0, 1)
    for head in load_streams(store):
        events = load(store, head.stream)
        check_whole(events)
        unprinted = {(e.stream, e.command_id) for e in events[last.get(head.stream, 0) :]}
        assert unprinted <= {(tried[-1][1], tried[-1][2])} if tried else not unprinted
    assert store_version(store) == sum(head.version for head in load_streams(store))
    return len(answered)


def test_nothing_acknowledged_is_lost_by_a_kill(database_url: str) -> None:
    chance = random.Random(20310504)
    acknowledged = 0
    before: dict[str, int] = {}
    # The first rounds are killed while the tables are made, the others in the midst of appending.
    for turn in range(8):
        appending = turn >= 3
        delay_s = chance.uniform(0, 0.15 if appending else 0.06)
        printed = run_and_kill(database_url, turn, delay_s, from_first_batch=appending)
        with open_store(database_url) as store:
            acknowledged += check_round(store, printed, before)
            before = {head.stream: head.version for head in load_streams(store)}
    assert acknowledged >= 5  # each of the five appending rounds had at least its first answer
