"""Run the command line as ``python -m afterclear``."""

from afterclear.cli import main

if __name__ == "__main__":
    main()
