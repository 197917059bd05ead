"""The subcommands of `avoidkit`, a module each: `add(commands)` names the options, a function does what they say."""

ORDER = ("drive", "check", "demo", "redecide", "gate")  # as --help lists them
