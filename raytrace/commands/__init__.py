"""The commands of `cooker`, one file each.

To add one: a module here with a function whose parameters are typer's, and a line in
`raytrace.cli`. Modules are read at every start, so anything heavy is imported inside functions.
"""
