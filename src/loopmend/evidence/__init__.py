"""Judge what was measured: what each test can see, where it may be made, and what its readings say."""
