"""The page at the bench: one cooker designed, cooked with and set, in a browser on this machine.

`server.serve` runs it; `guard` stands before it; `folder` holds the scenarios that it may touch;
a `bench.Bench` is what one open page knows; `page` is its frame, with a part for each tab.
"""
