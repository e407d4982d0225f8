"""Lets ``python -m landing_analysis`` do what the command does."""

from landing_analysis.commands.main import main

if __name__ == "__main__":
    main()
