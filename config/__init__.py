"""Settings: typed, validated, with errors that name file, line, key and what is allowed."""
