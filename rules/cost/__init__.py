"""Energy and money: integrated, priced, told."""
