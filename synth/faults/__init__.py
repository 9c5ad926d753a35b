"""What can be wrong with a panel's picture. One module for each place where the fault is made."""
