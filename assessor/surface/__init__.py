"""What stands between the concrete and the product: aggregate, patches, water drops, small tests."""
