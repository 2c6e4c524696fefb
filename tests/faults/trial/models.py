"""What a trial job writes: one row a step, and a tally that a doubled step would give away."""

from django.db import models


class Step(models.Model):
    job_id = models.UUIDField()
    number = models.PositiveIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["job_id", "number"], name="trial_step_once")]

    def __str__(self) -> str:
        return f"{self.job_id} {self.number}"


class Tally(models.Model):
    name = models.CharField(max_length=20, unique=True)
    value = models.IntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.name}: {self.value}"
