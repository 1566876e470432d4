"""Run the command line as ``python -m shaping``."""

from shaping.cli.main import main

if __name__ == "__main__":
    main()
