"""Modules of the markers that cameras read: AprilTag's family 36h11.

Any two of them [1]_, turned however, differ in 11 modules or more, so that one can't be misread for
another.

References
----------
.. [1] E. Olson, "AprilTag: A robust and flexible visual fiducial system", IEEE International
       Conference on Robotics and Automation, 2011. From memory; the table is OpenCV's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["MARKERS", "MODULES", "marker_modules"]

MODULES = 8  # of a marker's side, its black border among them
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
# a letter is one row of six modules, white ones being ones, the left one first
_ROWS = (
    "IaFGurktGP6bcIkBS7GTl54nRBU9PXNc1bjPoQulagK4dKYItX+41ETiC1pkYdiX8sqzRp/8WUykXC+hwtLil8JLlydZKGJK"
    "HKr+maMjbdwWiE5SfWV3Gox+9SkluBLlnMGhf6WKsx60M4T5ORPVNF15saO1DfvnaNXNegMducj3pLRph+BrbgxdUnW8Vnu0"
    "HmMCvCisfQRqpl/iMmVADrYW96Bmg2LdCv32O5y2CxrWocr5k7Yu+1uyENk93uVQlLoM0UebKiOrsnT2f0tfWKgVgYdDQn1k"
    "HexAh0iSqzoCONV0LuDENWehXbMRyxyVfKH5oiRXgjKazpjzzMUsUo2os1eM1bS542rJzdPOy9qoORGYYlaxuubMiJ35GxDl"
    "oanVp1K2UaqdTVwuGdWxY3Nr91PWCoXoSzfS/OQ6nyu5JtGm7Y0jblavhG836lalE4XUlxRsRwNg7KjEvNZ6KV85Ae9rV36X"
    "UgYC9atRGUkuSOKZq3t59XN6qBTGg+LakAWD1KukeXmCoOZc9IDMwVCyDqcyqVBnEKBIbi7hsKlyYV5z86JXF+IFuY7Jqysk"
    "2TOeB264h0+ZlCClXM42T/mSiky48K9yrudmc8xrVpyZympZNmoMU1UJ5RlDum0ifR0qzxY72Yn+9oZBcHuy+b0xKrd3OcIH"
    "aL+NG/3t2EpuQursSbMCto1TTruTDOQ5xdm14fySKN+Kao1KtTkCoYsWNHXurS9a8pqrXchQs+wleGR5nEQFi8aNwEcC8V3e"
    "tCKT2pGsrQOCgTNjlxDmkq1witBcW5heZUwbPQrCs7S7+gVSci3eMGNp0azSotmU5gX62ROdV1Na6WX17x1G68PmrMCpnINd"
    "VGPkmlJWdok6q+03BkWb3e2UZPoEwJJQ5E515Yo3S8JMqldB5Cz2WIbqI4U491gTAlDOszu9eGroZw8N6MlpJsge/mafSJCG"
    "P7+SpN1lVadgnMriNtslbBaj14rHIhLcH+JiryBRCQkywIr+U/7Kd1XSkkl6LxAaIrxq0WsU0uyksgpvpgPUMFfDtp6Be1TS"
    "QKv8Pg9TrRbnNvOgboJ3guQYPpBiFGAf161OyHZbxkrT2CFfljF6J+BfgTymDnrcIuv1LEpQck9q4uVA/X6onJYvdBJkBCsB"
    "GXy3dUHyu4UNyH1sKt3I0t7ey2sBc4vkIQNou0Yip3czIm74STOt45HxyJbHiXZlq6kvRroSKXmBdnrXAs+NRzGYuQ7C6OBr"
    "NqHWmApc6GUPY3hwNI86tB1G5gMqi1TBHuxzJh3lDWKWYW4yN8/xoKxFeEerd25S/5mAgZu5UMsrXYi2kYBjEtnCzpFYwuc4"
    "a4QBXqZ2ldufPnJ0XBAcoaVxIucDb11dztrhgJUyxb9+Tp1UWdhPnL9C7QhRXbSpH6DVjlsfafufpDKbpR9gWHxnQn2LkCHt"
    "u1lESeqiMfNaDZWUP03sRhJXBaFpMN4lEutYq0ji3ADLaElPknprWxu5DzRQYy6PrQwu6vKnHrKvOdURVIxSRpPV3kiI6RYd"
    "aINv9PUb0uRBegrEDpi7ditKHK+DoawnALu9+y7Qmq+FIClOeqEEymapbSvLKPLsdeYHBl60etmzqMNXLWy/1CbvuPZO5Nuq"
    "mD16jxjKMfSZAlRXtG1TrkFJnTxkOWeVMy7lcIhNZkHdNSjY2OUdJG1gKco42Uq2EMdmu4iA/QxrMZO/+LnR54b01O1Oa5t5"
    "z6i7NpIKQ2bGXO+5U2Dwa2YFu1HSXn9+JiZBgf2phVIkHbxZVvtLKA7aZMbQznsID0YZLufplD/1EkiLO+rfmyfljQvgtF/S"
    "afs6cqYTg6gyZohjmzVNAcmSkLEMAq9mf8bRes11gTOr0H9hVDASRzBneU1YqFWxIBnLTX/bMaGT5qPaO3bUQVPx4EVUQzW1"
    "kvYSSdJpo1+KBCZ3iWlIfNxvTqfn2cLjZzRbOl6PMEdtn6p3ZOTqHfEqe0NNSXPZVTzbQYl1i9p20u9UpN7IgRYW+KQDb05r"
    "JzYoKmpBPSKfkB/kwXmr/OVuLTJbnv2ZAfapOqZPreZSiNYLClPpYL6eCcPkTZt4Y92Yu0gzNLGB7XWzc/SQhXK3uRLF0Fak"
    "5GcSltKgjW94RSlJxhJQHsW3uPVHeco7fqSzRD1rm0vi3LhItR/EfsbzjPmIkPL+k0B/1UCr7lPD0I9wmOvKZUZ8MJrm/Xl+"
    "i8Rznplxkw/kmnUt9XvUf+U+bxUwkoXeHMSJERzj3NpMfhV8VSaRESnWURgFZmPByzv8WUACOjUAOHdtT2ecRG8mZ7F65Z6X"
    "NhMtY+jgdJK/GIrN3x7ZBS0CW2vQH1hKTQcOybKjr0qxiFL8nekYOQNXbung6NANIQcJtalcqQIqMUoD6iucHliexedEcO7d"
    "Nr1EFZt/jSUW3N5L+lntqZwwj/uYqLmsd35xjQpTyzye0dztwjhTXq7kqmQ3zYNFoeWhngWulteA0l4siFGFxTFPjbpHw37h"
    "HYLG+MMlxcbIXZ0brglUngdeimhFwVrfnxD+lc7zCwcZM7INHw3jpvWW9bumzWHZ80pHitMo2t5AEv0VdkNwOiv10iIwPjSN"
    "Qbm/mpWk6T7jRitEUSTgFxnBc6DZE3kytBbd/0thWnLIgPGsbzu2qhR20hrm+cKQaIdoERIQYjRY9V8xkZ4f70en3Rxsd3gI"
    "7slvCWmzyb2vb9QyVzYOfQqpBlHNo04qzATnlGDRoigrebF3TrGJ9Ly/nDseb2xkhB5U5QouYy8w8js7s95sYzH1ODvKHa/l"
    "0YFsq5DYQHrKeU4dflkt5lRCZRSXlJM/dRcSPJzpGVfsuB167eFAF4wJsO4sFOYfd0bTNmSahl3QiA9yFL+42LnC4imacHN/"
    "wOz5DJu4sm4BBWePysM7SDg0652EuDfKJ36iAq9fZrSmeMEiEhWSvzzIK0jJd8vpD8XvfXkxEXlHmVNE1flw3y8S5yEUJ3s3"
    "C4+nPVNuFvQjBXQCt+w0JCOndYw02rZ9xhYUKbIiBocQGvD6VNIrx1kIujr562jJtRJgXUQsariLf0IHx2V9N3lA0grC63e2"
    "PocxjsR6/qGqRt41t0SKNroQ8HEVNrlj+H7U2Dq5lley61oPtq368yh+B6Tqe0UY9OkGSjc4PCQsoSlrJcSkiwHYOs5RzOsl"
    "SA9Y2wuuKVhnifwPug3QZHXp9/5GtMQ87wJtY5NYWih7QERWT6R8vqdhn5VaUbmhMwFTNjfHdYepcqYN4RYifUzmiurxNegc"
    "Mcm2R8rEPYFV2FPhz7T83Fzw7mlv0ttxYYR1ubS4eBMoV5UFlelHdxmqAwLi7Bgo0XvFB5Y1h4XBt503qtt6gX8Czg/WPfsK"
    "UQrBryPR7fjT9Lc6QCN9eJ6cjxHHfKxL0Da+ffqZXJexToJRygcOf0XCLbzVoNtybIa3d23igPWOdI4awf9KG7rqhcJqxVf8"
    "5dHvNXHynU4QRZ+7Fb1LBJVZbLcKz4+GF6UYw5Haw0USNeLMdEB8T+3xYJokztJ9wX"
)
MARKERS = len(_ROWS) // 6


def marker_modules(number: int) -> NDArray[np.bool_]:
    """Which modules of a marker are black.

    Parameters
    ----------
    number : int
        From 0 to `MARKERS` - 1.

    Returns
    -------
    black : ndarray of bool, shape (8, 8)
        As seen, the top row first.

    Raises
    ------
    IndexError
        If there is no such marker.
    """
    if not 0 <= number < MARKERS:
        raise IndexError(f"marker {number}: there are {MARKERS}, from 0.")
    black = np.ones((MODULES, MODULES), dtype=np.bool_)
    rows = [_LETTERS.index(letter) for letter in _ROWS[6 * number : 6 * number + 6]]
    black[1:-1, 1:-1] = (np.array(rows)[:, None] >> np.arange(5, -1, -1) & 1) == 0
    return black
