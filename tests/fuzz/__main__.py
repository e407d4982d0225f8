"""Damage many clips, or fill many folders with odd entries, from the project's root.

``python -m tests.fuzz media --cases 3000 --seed 1``, ``python -m tests.fuzz folder --cases 300``
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import click

from fuzz import container, folder


@click.command()
@click.argument("what", type=click.Choice(["media", "folder"]))
@click.option("--cases", type=int, default=300, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the first case.")
@click.option(
    "--keep", type=click.Path(path_type=Path), help="Where to keep what lies behind them."
)
def main(what: str, cases: int, seed: int, keep: Path | None) -> None:
    """Try odd clips or odd folders; ends with 1 when one did not end as it should."""
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    run = {"media": container.run, "folder": folder.run}[what]
    outcomes, findings = run(cases, seed, keep)
    for outcome, count in outcomes.most_common():
        click.echo(f"{count:6d}  {outcome}")
    if findings:
        click.echo(container.listed(findings), err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
