"""`python -m ullage_cli` is the command `ullage`."""

from .main import run

if __name__ == "__main__":
    run()
