"""Pages on visits, weeks and change: rows of the record -> HTML that needs nothing else."""
