"""Lets `python -m backstay` run the command line."""

from backstay.cli import main

if __name__ == "__main__":
    main()
