"""A scenario's light on its pot: set up, turned, through a day, over builds, on average."""
