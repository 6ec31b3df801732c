"""`python -m benchkit`: the same as the `benchkit` command."""

from benchkit.cli.main import main

if __name__ == "__main__":
    main()
