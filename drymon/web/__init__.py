"""The page on the wire: assembled for the service, in threads and child processes of its own."""
