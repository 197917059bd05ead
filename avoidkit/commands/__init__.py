"""The subcommands of `avoidkit`, a module each: `add(commands)` names the options, a function does what they say."""

ORDER = (  # as --help lists them
    "drive",
    "check",
    "new",
    "compile",
    "map",
    "sweep",
    "stress",
    "compare",
    "demo",
    "redecide",
    "gate",
    "import_log",
    "export_log",
    "handover",
)
