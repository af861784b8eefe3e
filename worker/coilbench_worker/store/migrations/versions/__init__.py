"""Steps from one revision of the tables to the next; run by `store.migration`."""
