"""What is put into the processes of a campaign by way of `PYTHONPATH`."""
