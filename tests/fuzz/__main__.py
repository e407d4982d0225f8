"""Damage many clips: ``python -m tests.fuzz --cases 3000 --seed 1`` from the project's root."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import click

from fuzz.container import listed, run


@click.command()
@click.option("--cases", type=int, default=3000, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the first case.")
@click.option("--keep", type=click.Path(path_type=Path), help="Folder for clips behind findings.")
def main(cases: int, seed: int, keep: Path | None) -> None:
    """Damage clips and read them; ends with 1 when one did not end as it should."""
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    outcomes, findings = run(cases, seed, keep)
    for outcome, count in outcomes.most_common():
        click.echo(f"{count:6d}  {outcome}")
    if findings:
        click.echo(listed(findings), err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
