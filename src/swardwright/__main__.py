"""``python -m swardwright``."""

from swardwright.shell.command_line import main

if __name__ == "__main__":
    main()
