"""TOML to a validated plan, checklist, order or workshop; all errors at once."""
