"""What several tests share: generated protocols, cases, and the implementations that must agree."""
