"""The daemon, its interface over a Unix socket, the command line, the configuration."""
