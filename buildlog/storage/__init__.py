"""What is written is written whole and once: files, transactions, and a disk that is full."""
