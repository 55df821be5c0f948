"""The ring on disk that keeps readings until the service has them."""
