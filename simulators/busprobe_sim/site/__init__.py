"""The electrical site behind the meters."""
