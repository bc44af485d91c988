"""One file a migration, oldest first."""
