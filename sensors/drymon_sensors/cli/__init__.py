"""The commands: one small module each; parse, call, print."""
