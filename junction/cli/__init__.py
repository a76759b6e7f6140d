"""Arguments, files, exit statuses; one small module per command."""
