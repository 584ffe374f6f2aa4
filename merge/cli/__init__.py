"""Command line: options in, exit code out. Imports click, prints, exits; nothing else does."""
