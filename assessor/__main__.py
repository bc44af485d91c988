"""`python -m assessor` is the same as `assessor`."""

from assessor.cli import main

if __name__ == "__main__":
    main()
