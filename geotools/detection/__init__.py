"""The answer to who gets through where; every step asks here, none has its own."""
