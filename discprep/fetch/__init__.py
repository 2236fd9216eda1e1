"""Getting bytes: HTTP(S), FTP, local files; a cache by content; resume; mirrors; pins."""
