"""The scripts in `broken` are input for the command line's tests, not tests of their own."""

collect_ignore_glob = ["broken/*"]
