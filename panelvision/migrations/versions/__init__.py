"""One module a revision, oldest first."""
