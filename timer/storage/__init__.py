"""The one SQLite file: opening, migrating and checking it."""
