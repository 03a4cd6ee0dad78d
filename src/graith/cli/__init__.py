"""The command line: read an argument, call one service, show the answer."""
