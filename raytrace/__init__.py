"""Monte Carlo ray tracing of hand-built solar cookers made of small flat mirrors.

In a notebook::

    import raytrace

    scenario = raytrace.load_scenario("scenarios/courtyard.toml")
    run = raytrace.run_design(scenario)
    tally = run.moments[0].tally
    print(tally.delivered, "W on the base;", tally.intercept, "of what left the mirrors")

Names stand in `__init__.pyi` and load on first use: the command's --help need not wait for the
compiler's library. A geometry of one's own goes through `cooker_from_arrays` and `trace`.
"""

from __future__ import annotations

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
