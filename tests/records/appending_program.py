"""A program to be killed: it appends without end and prints each version once it is acknowledged.

Arguments: URL, number of the round. Before a batch it prints ``try <stream> <command>``, after it
``ack <stream> <command> <version>``; ``begin`` comes before the record is opened.
"""

from __future__ import annotations

import itertools
import sys
from datetime import UTC, datetime

from loopmend.records import NewEvent, append, append_fact, load_streams, open_store


def say(*words: object) -> None:
    print(*words, flush=True)  # noqa: T201  the printed lines are the acknowledgements


def main(url: str, turn: str) -> None:
    say("begin")
    with open_store(url) as store:
        versions = {head.stream: head.version for head in load_streams(store)}
        for number in itertools.count():
            stream, command_id = f"case-{number % 3}", f"{turn}-{number}"
            # Batches of 1 to 4 events, each of which says how many belong together.
            size = number % 4 + 1
            events = [NewEvent(kind="test_made", body={"size": size, "pad": "x" * 2000})] * size
            request = {"stream": stream, "events": events, "actor": "Ann", "command_id": command_id}
            at = datetime(2031, 5, 4, 12, number % 60, tzinfo=UTC)
            say("try", stream, command_id)
            if stream in versions and number % 2:
                version = append_fact(store, at=at, **request)
            else:
                version = append(store, at=at, expected_version=versions.get(stream, 0), **request)
            versions[stream] = version
            say("ack", stream, command_id, version)


if __name__ == "__main__":
    main(*sys.argv[1:])
