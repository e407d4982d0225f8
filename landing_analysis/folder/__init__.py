"""The drop folder: what lies in it, whose it is, what is to be done, and doing it."""
