"""What holds for all tests: commands draw no cookers for their intervals unless a test says so."""

import os

os.environ.setdefault("COOKER_DRAWS", "0")
