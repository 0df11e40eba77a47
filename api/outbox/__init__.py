"""Events on their way to the programs of clients: who is told, how it is signed, when again."""
