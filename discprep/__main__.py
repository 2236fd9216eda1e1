"""`python -m discprep` and the console script."""

from discprep.cli import main

if __name__ == "__main__":
    main()
