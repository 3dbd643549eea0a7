"""What is installed: the site file, its model and its errors. Refuses to guess."""
