"""The answer to who gets through where; every step comes here, none has its own."""
