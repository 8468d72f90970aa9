"""`python -m stackopt`."""

from stackopt.cli import main

if __name__ == "__main__":
    main()
