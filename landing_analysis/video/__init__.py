"""The only place that opens or writes video: upright frames at their own times."""
