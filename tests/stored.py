"""What a running command has stored so far, seen from outside."""

import contextlib
import sqlite3


def parts_in(path):
    """How many finished parts are in a file; none where there is no file."""
    if not path.exists():
        return 0
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True)) as data:
        return data.execute("SELECT count(*) FROM part").fetchone()[0] - 1  # the fingerprint
