"""How fast tracer and commands are on this machine: python -m raytrace.benchmark."""
