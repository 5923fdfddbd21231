"""What is said of each kind of chassis: a title, a sentence, and what it means for an added board."""

TITLES = {
    "tied": "tied to a leg of the mains (pin {pin})",
    "tied-through-switch": "tied to a leg of the mains through the switch (pin {pin})",
    "rc-coupled": "joined to the mains through a resistor and capacitor",
    "line-capacitor": "joined to the mains through a capacitor",
    "earthed": "joined to earth",
    "isolated": "apart from the mains but for strays",
    "not-established": "not established",
}
SENTENCES = {
    "tied": "The chassis is tied to one leg of the mains.",
    "tied-through-switch": (
        "The chassis is tied to one leg of the mains through the switch, so that OFF can be the worse position."
    ),
    "rc-coupled": "The chassis is joined to the mains through a resistor beside a capacitor.",
    "line-capacitor": "A capacitor joins the chassis to the mains.",
    "earthed": "The chassis is joined to the plug's earth pin.",
    "isolated": "Nothing but strays joins the chassis to the mains.",
    "not-established": "How the chassis stands to the mains is not established.",
}
ADVICE = {
    "tied": (
        "Do not join an added board's ground to this chassis, and bring no socket, shield or metal case out from it;"
        " audio must cross by an isolating transformer rated for the mains, or by light. Neither way round of a"
        " reversible plug takes that away."
    ),
    "tied-through-switch": (
        "Do not join an added board's ground to this chassis, and bring no socket, shield or metal case out from it;"
        " switching the radio off does not make the chassis dead, only pulling the plug does. Audio must cross by an"
        " isolating transformer rated for the mains, or by light."
    ),
    "rc-coupled": (
        "Do not bring a socket, shield or metal case out from this chassis: its network can pass more than the limiting"
        " current, and its capacitor ages. Parts across that barrier want the class that local rules ask for (Y class"
        " between mains and touchable metal)."
    ),
    "line-capacitor": (
        "Have the capacitor replaced by one of Y class, or removed, before metal is brought out; an old one can fail to"
        " a short at any time and put the whole mains on the chassis."
    ),
    "earthed": (
        "An added board's ground may join this chassis, as long as the earth is connected all the way to the socket;"
        " measure the earth path again after the work."
    ),
    "isolated": (
        "An added board may use this chassis as its ground while the transformer's insulation holds; have that measured"
        " by an insulation tester."
    ),
    "not-established": "Treat the chassis as tied to the mains until the readings named as missing say otherwise.",
}
