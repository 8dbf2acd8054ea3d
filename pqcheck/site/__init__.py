"""What a person declares: the site file and its frozen form."""
