"""Framework-free helpers shared by all apps. Nothing here imports Django or Celery."""
