"""The heading of a page: one title for who reads and who listens, the question beside it."""

from dashboard.components.heading import heading


def test_the_title_is_the_only_heading_and_the_question_stands_beside_it():
    title, question = heading("Lines", "Which line needs attention?")
    assert (type(title).__name__, title.children) == ("H1", "Lines")
    assert (type(question).__name__, question.children) == ("P", "Which line needs attention?")
