"""What each verb of the command line does, put together from the rooms; nothing here prints or parses options."""
