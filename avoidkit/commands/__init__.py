"""The subcommands of `avoidkit`, a module each: `add(commands)` names the options, a function does what they say."""

ORDER = ("drive", "check", "new", "demo", "redecide", "gate", "import_log", "export_log", "handover")  # as --help lists them
