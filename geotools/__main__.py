"""`python -m geotools` is the command line."""

from geotools.cli import main

if __name__ == "__main__":
    main()
