"""`python -m poolwatch`: the same as the command `poolwatch`."""

from .cli.main import console

if __name__ == "__main__":
    console()
