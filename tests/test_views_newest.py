"""Of questions that come faster than they can be answered the newest is answered next, those it overtook never."""

import asyncio
import threading

from avoidkit.views.newest import Newest


def in_a_loop(call):
    async def body():
        return call()

    return asyncio.run(body())


def test_without_an_event_loop_each_question_is_answered_at_once():
    answered = []
    newest = Newest(answered.append)
    for question in range(3):
        newest.post(question)
    assert answered == [0, 1, 2]


def test_questions_that_were_overtaken_while_one_was_answered_are_never_answered():
    begun, go_on, done = threading.Event(), threading.Event(), threading.Event()
    answered = []

    def answer(question):
        begun.set()
        assert go_on.wait(30)
        answered.append(question)
        if question == "newest":
            done.set()

    newest = Newest(answer)
    in_a_loop(lambda: newest.post("first"))
    assert begun.wait(30)
    for question in ("second", "third", "newest"):
        in_a_loop(lambda question=question: newest.post(question))
    go_on.set()
    assert done.wait(30)
    assert answered == ["first", "newest"]


def test_what_waits_can_be_taken_away_or_answered_by_whoever_comes_with_something_else():
    begun, go_on, done, answered = threading.Event(), threading.Event(), threading.Event(), []

    def answer(question):
        answered.append(question)
        if question == "busy":
            begun.set()
            assert go_on.wait(30)
            done.set()

    newest = Newest(answer)
    in_a_loop(lambda: newest.post("busy"))
    assert begun.wait(30)
    in_a_loop(lambda: newest.post("old"))
    assert newest.take() == "old"
    assert newest.take() is None
    in_a_loop(lambda: newest.post("asked before"))
    newest.finish()
    newest.finish()
    assert answered == ["busy", "asked before"]
    go_on.set()
    assert done.wait(30)
