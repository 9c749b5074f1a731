"""`python -m pooleye` is the `pooleye` command."""

from pooleye.cli.app import main

if __name__ == "__main__":
    main()
