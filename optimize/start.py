"""Where the command starts: Ctrl-C is met even while the command line is being imported."""

import sys


def main() -> int:
    """Run the command line; see `optimize.commands.app.main` for the exit codes."""
    try:
        from optimize.commands.app import main as command_line

        return command_line()
    except KeyboardInterrupt:
        sys.stderr.write("orbwright: stopped by Ctrl-C.\n")
        return 130
