"""The written model, read back and solved by the solver on its own."""

from dataclasses import replace

import highspy
import pytest

from scheduling.engine.season import Outcome, plan_season, recent_visit, write_model
from scheduling.engine.season.solver import QuietSolver


@pytest.mark.parametrize("people", [1, 2])
def test_the_written_model_has_readable_names_and_the_plan_s_cost(people, season, tmp_path):
    problem = season(60, jobs=6, weeks=4, people=people, tightness=0.7)
    problem = replace(problem, rules=(recent_visit(1, 0, 4, 1, "bedding first", "bed, then regulate"),))
    path = tmp_path / "season.mps"
    write_model(problem, path)
    text = path.read_text()
    assert "go_1.tuning.G0_start_w01" in text
    assert "hours_p1_w01" in text
    assert "order_1_w01" in text
    solver = QuietSolver()
    assert solver.readModel(str(path)) == highspy.HighsStatus.kOk
    solver.setOptionValue("mip_rel_gap", 0.0)
    solver.run()
    result = plan_season(problem)
    assert result.outcome == Outcome.OPTIMAL
    # the file prints nine or more significant digits
    assert solver.getInfo().objective_function_value == pytest.approx(result.cost, rel=1e-6)


def test_a_solver_is_silent_from_its_first_moment(capfd):
    QuietSolver().run()
    assert capfd.readouterr().out == ""
