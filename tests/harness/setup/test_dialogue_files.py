"""A list that a file of answers names stands below that file's folder; who answers here may name any."""

import pytest

from ventproof.setup.dialogue import SetupFile, SetupQuestion, given_by
from ventproof_bench.base.errors import FileError
from ventproof_bench.yamlfile.load import load_document

LIST = SetupQuestion(key="list", text="The maker's list", default="paste", names_file=True)


def given(tmp_path, answer, **options):
    """Write a file of answers with one for the list, and return that answer checked."""
    path = tmp_path / "answers" / "first.setup.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(f"setup: first.yaml\nanswers:\n  list: {answer}\n", encoding="utf-8")
    return given_by(load_document(path, SetupFile), **options)["list"].checked(LIST)


@pytest.mark.parametrize(
    "answer", ["/etc/hostname", "~/list.csv", "{here}/answers/../list.csv", "{here}/answers/link/list.csv"]
)
def test_a_list_outside_the_folder_of_the_answers_is_refused_with_its_line(tmp_path, answer):
    """However the path leads out of it; `--any-path` lets it."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "answers").mkdir()
    (tmp_path / "answers" / "link").symlink_to(tmp_path / "elsewhere")
    answer = answer.format(here=tmp_path)
    with pytest.raises(
        FileError, match=r"first\.setup\.yaml:3:\d+: list: '.*' leads out of the folder .*; .*--any-path"
    ):
        given(tmp_path, answer, any_path=False)
    assert given(tmp_path, answer, any_path=True) == answer


def test_a_list_in_the_folder_of_the_answers_is_taken_and_so_is_one_that_is_pasted(tmp_path):
    """Neither is another place than the file's own."""
    inside = f"{tmp_path}/answers/lists/first.csv"
    assert given(tmp_path, inside, any_path=False) == inside
    assert given(tmp_path, "paste", any_path=False) == "paste"
