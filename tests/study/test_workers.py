"""Work shared out among processes: who does it, in what order it comes back, and what a lost worker costs."""

import os
import signal
import threading

import joblib
import pytest

import doe
from doe.study.workers import in_order, offered, shared_out, worker_count


def test_the_workers_are_those_asked_for():
    def tell_process(i):  # inside, since a worker cannot import a test
        return i, os.getpid()

    here = in_order("here", tell_process, range(3))
    assert here == [(i, os.getpid()) for i in range(3)]
    there = in_order("there", tell_process, range(4), 2)
    assert [i for i, _ in there] == [0, 1, 2, 3]
    assert os.getpid() not in {p for _, p in there}
    assert offered() == 1
    with joblib.parallel_config(backend="loky", n_jobs=2):  # a caller's own choice is taken without a word to us
        assert (offered(), worker_count(1)) == (2, 2)
        assert os.getpid() not in {p for _, p in in_order("told", tell_process, range(4))}
    assert os.getpid() in {p for _, p in in_order("one task is not worth sending", tell_process, [0], 2)}


def test_tasks_are_placed_whatever_order_they_end_in():
    def slow_first(seconds):
        threading.Event().wait(seconds)
        return seconds

    ends = list(shared_out("squares", slow_first, [1.0, 0.0], 2))
    assert sorted(ends) == [(0, 1.0), (1, 0.0)]
    assert in_order("squares", slow_first, [1.0, 0.0], 2) == [1.0, 0.0]


def test_inside_a_task_nothing_is_shared_out_again():
    def inner(i):
        return offered(), worker_count(2), in_order("inner", lambda k: os.getpid(), range(2), 2) == [os.getpid()] * 2

    assert in_order("outer", inner, range(2), 2) == [(1, 1, True)] * 2


def test_what_is_bound_to_this_process_costs_one_sentence():
    lock = threading.Lock()

    with pytest.raises(doe.StudyError) as told:
        in_order("squares", lambda i: lock, range(2), 2)
    assert str(told.value) == (
        "squares: what is done is 'bound to this process (PicklingError)' but must be something that can be sent to another: leave n_jobs at 1."
    )


def test_an_error_of_the_task_itself_comes_through():
    def divided(i):
        return 1 / i

    with pytest.raises(ZeroDivisionError):
        in_order("shares", divided, [1, 0], 2)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:A worker stopped")
def test_a_killed_process_costs_one_sentence():
    def lose_the_worker(i):
        if i == 2:
            os.kill(os.getpid(), signal.SIGKILL)
        return i

    with pytest.raises(doe.StudyError) as told:
        in_order("rehearse", lose_the_worker, range(6), 2)
    assert str(told.value) == (
        "rehearse: a worker is 'gone before its work was done' but must be left to finish: it was killed, or ran out of memory: "
        "run it again, with fewer workers where memory is short; with checkpoint= it goes on from what was finished."
    )
