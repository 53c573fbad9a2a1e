"""How right the tool is: held against truth, and against itself."""
