"""What people touch: the JSON interface, the pages, and the `underturf` command."""
