"""Messages to fixes on a UTC time line."""
